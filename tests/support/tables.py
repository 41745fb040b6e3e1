"""Tables and recordings of tests/data as columns."""

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

DATA = Path(__file__).parents[1] / "data"


def text_table(path: str) -> dict[str, list[str]]:
    """Return every column of a table, such as ``chemistry/pkw``, as text."""
    with (DATA / f"{path}.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return {name: [row[name] for row in rows] for name in rows[0]}


def number_table(path: str) -> dict[str, NDArray[np.float64]]:
    """Return every column of a table as numbers; NaN where a cell is empty or not a number."""
    return {name: np.array([_number(cell) for cell in cells]) for name, cells in text_table(path).items()}


def columns(path: str, *names: str) -> list[NDArray[np.float64]]:
    """Return some columns of a table that hold nothing but numbers."""
    cells = text_table(path)
    return [np.array(cells[name], np.float64) for name in names]


def _number(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        return float("nan")
