"""Recordings as loggers have left them over the years, through `quietcell replay`."""

import json
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietcell.core.electrode.nernst import MV_PER_KELVIN
from quietcell.core.times import rfc3339, utc_ms
from tests.support.command import Ran, ran

BEGAN_UTC_MS = utc_ms("2026-03-01T08:00:00Z")
READINGS = 1500
SITE = """
[site]
name = "merrow-sound"
[store]
folder = "state"
"""
CELL = f"""{SITE}
[cells.header-tank]
calibration = {{ slope_pct = 95.0, zero_mv = 12.0, isopotential_ph = 6.8 }}
"""


def settling() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """pH, temperature and conductivity of a water that comes to rest at pH 8.2, one reading a second."""
    rng, s = np.random.default_rng(7), np.arange(READINGS)
    temperature_c = 35.0 + 0.02 * np.sin(s / 400.0)
    mv = -MV_PER_KELVIN * (temperature_c + 273.15) * 1.2 + 20.0 * np.exp(-s / 20.0)
    ph = 7.0 - (mv + rng.normal(0.0, 0.03, READINGS)) / (MV_PER_KELVIN * (temperature_c + 273.15))
    return ph, temperature_c, 1.2 + rng.normal(0.0, 0.005, READINGS)


def results(lines: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    return [line for line in lines if line.get("verdict") in ("accepted", "qualified")]


@pytest.fixture
def replayed(tmp_path: Path) -> Callable[..., tuple[list[dict[str, Any]], Ran]]:
    """Return what replays a recording: the lines it writes, and what it prints."""

    def replay(
        content: str | bytes, config: str, *words: str, status: int = 0
    ) -> tuple[list[dict[str, Any]], Ran]:
        path, cells, out = tmp_path / "archive.csv", tmp_path / "cells.toml", tmp_path / "out.jsonl"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        cells.write_text(config, encoding="utf-8")
        done = ran("replay", path, "--config", cells, "--out", out, *words, status=status)
        return [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()], done

    return replay


Replayed = Callable[..., tuple[list[dict[str, Any]], Ran]]


def time_of(row: int) -> str:
    return rfc3339(BEGAN_UTC_MS + 1000 * row)


def test_a_recorded_ph_comes_back_whatever_line_the_cell_is_calibrated_to(replayed: Replayed) -> None:
    ph, temperature_c, _ = settling()
    rows = [f"{time_of(n)},{ph[n]:.3f},{temperature_c[n]:.2f}" for n in range(READINGS)]
    mapping = '[cells.header-tank.recording.columns]\ntime = "time"\nph = "pH"\ntemperature_c = "T"\n'
    lines, _ = replayed("\n".join(["time,pH,T", *rows, ""]), CELL + mapping)
    last = results(lines)[-1]
    assert last["ph"] == pytest.approx(8.2, abs=0.002)
