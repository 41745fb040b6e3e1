"""Published tables of tests/data as columns."""

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

DATA = Path(__file__).parents[2] / "data"


def text_columns(folder: str, name: str) -> dict[str, list[str]]:
    """Return every column of a table as text."""
    with (DATA / folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return {key: [row[key] for row in rows] for key in rows[0]}


def columns(folder: str, name: str) -> dict[str, NDArray[np.float64]]:
    """Return the columns of a table as numbers; NaN where a cell is empty or not a number."""
    return {
        key: np.array([_number(cell) for cell in cells]) for key, cells in text_columns(folder, name).items()
    }


def _number(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        return float("nan")
