"""Criteria tried on recordings: `quietcell replay --compare` and `--plot`."""

import json
from pathlib import Path

import numpy as np
import pytest

from quietcell.core.endpoint.criterion import Criterion
from quietcell.core.readings import ReadingBlock
from quietcell.core.recording import Chunk
from quietcell.core.times import rfc3339
from quietcell.core.units import QUANTITIES
from quietcell.service.compare import trial
from tests.support.command import Ran, ran
from tests.support.ingress_engine import inputs_of, settings_of
from tests.support.ingress_scenarios import leak

CONFIG = """
[site]
name = "merrow-sound"
[store]
folder = "state"
[criteria.hasty]
based_on = "grab-water"
max_drift_mv_per_min = 6.0
max_remaining_ph = 1.0
[cells.larval-hall]
mode = "on-request"
[cells.larval-hall.calibration]
slope_pct = 100.0
zero_mv = 0.0
"""


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """Two samples that settle over some minutes, each in a recording of its own."""
    (tmp_path / "cells.toml").write_text(CONFIG)
    for number in range(2):
        rng = np.random.default_rng(number)
        s = np.arange(2400)
        mv = 30.0 + 40.0 * np.exp(-s / 15.0) + 12.0 * np.exp(-s / 120.0) + rng.normal(0.0, 0.03, len(s))
        rows = [
            f"{rfc3339(1_790_000_000_000 + 1000 * int(at))},{value:.2f},25.0,,"
            for at, value in zip(s, mv, strict=True)
        ]
        header = "time,mv,temperature_c,conductivity_us_cm,flow_ml_min"
        (tmp_path / f"sample-{number}.csv").write_text("\n".join([header, *rows]) + "\n")
    return tmp_path


def compare(archive: Path, *words: str | Path, status: int = 0) -> Ran:
    words += tuple(archive / f"sample-{number}.csv" for number in range(2))
    where = ("--config", archive / "cells.toml", "--cell", "larval-hall")
    return ran("replay", "--compare", *words, *where, status=status)


def test_criteria_are_told_by_share_time_and_distance_from_the_later_plateau(archive: Path) -> None:
    out = archive / "out.jsonl"
    shown = compare(archive, "--out", out, "hasty", "grab-water").out
    hasty, grab = [json.loads(line) for line in out.read_text().splitlines()]
    assert (hasty["criterion"], grab["criterion"]) == ("hasty", "grab-water")
    assert (hasty["accepted"], grab["accepted"], grab["determinations"]) == (2, 2, 2)
    assert hasty["median_time_s"] < grab["median_time_s"]
    assert hasty["median_disagreement_ph"] > 0.05
    assert grab["median_disagreement_ph"] < 0.02
    assert "hasty" in shown


def test_why_a_criterion_refuses_is_told(archive: Path) -> None:
    """Readings 5 s apart never fill a window that asks for more of them: which only the reason tells."""
    for number in range(2):
        path = archive / f"sample-{number}.csv"
        header, *rows = path.read_text().splitlines()
        path.write_text("\n".join([header, *rows[::5]]) + "\n")
    out = archive / "out.jsonl"
    shown = compare(archive, "--out", out, "grab-water").out
    assert json.loads(out.read_text())["refused_for"] == {"stopped": 2, "gap": 2}
    assert "grab-water refused for stopped 2, gap 2" in shown
    where = ("--config", archive / "cells.toml", "--cell", "larval-hall", "--out", out)
    asked = ("--request", rfc3339(1_790_000_000_000))
    assert "1 refused (stopped 1, gap 1)" in ran("replay", archive / "sample-0.csv", *where, *asked).err


def test_what_a_clock_that_was_set_back_went_through_twice_is_compared_with_nothing(archive: Path) -> None:
    """The same sample, and another an hour of the clock before its end: each minute there has two values."""
    path = archive / "sample-0.csv"
    header, *rows = path.read_text().splitlines()
    began, other = 1_790_000_000_000, [row.replace(",3", ",5", 1) for row in rows]
    marks = [f"{rfc3339(began)},,,,,began-started,1", f"{rfc3339(began + 2_400_000)},,,,,ended-clock-step,1",
             f"{rfc3339(began)},,,,,began-clock-step,2"]  # fmt: skip
    first = [f"{row},,1" for row in rows]
    again = [f"{row},,2" for row in other]
    path.write_text("\n".join([f"{header},flags,segment", marks[0], *first, *marks[1:], *again]) + "\n")
    (archive / "sample-1.csv").write_text(path.read_text())
    out = archive / "out.jsonl"
    compare(archive, "--out", out, "grab-water")
    told = json.loads(out.read_text())
    assert (told["accepted"], told["compared"]) == (2, 0)


def test_a_picture_of_one_determination_is_drawn(archive: Path) -> None:
    pytest.importorskip("matplotlib")
    picture = archive / "first.svg"
    compare(archive, "--plot", picture, "hasty", "grab-water")
    drawn = picture.read_text()
    assert drawn.startswith("<?xml")
    assert len(drawn) > 10_000


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "names no criterion"),
        (("hasty", "nonsense"), "nonsense: no such recording. Nor is it a criterion: there is hasty"),
    ],
)
def test_what_is_no_criterion_and_no_recording_is_named(
    archive: Path, words: tuple[str, ...], told: str
) -> None:
    assert told in compare(archive, *words, status=64).err


def test_a_value_before_a_leak_is_not_held_against_the_water_behind_it() -> None:
    """Carbon dioxide lowers the pH by 0.56 within the hour: that was right before."""
    scenario = leak(3, "20-100")
    block = inputs_of(scenario)[1]
    assert isinstance(block, ReadingBlock)
    chunk = Chunk(
        segment=None,
        utc_ms=block.ms + 1_790_000_000_000,
        columns={name: getattr(block, name) for name in QUANTITIES},
        flags=block.flags,
    )
    found = trial([chunk], settings_of(scenario), "loop-water", Criterion())
    off = [value.disagreement_ph for value in found.accepted if value.disagreement_ph is not None]
    assert len(off) > 10
    assert max(map(abs, off)) < 0.02


def test_what_nothing_was_accepted_of_is_drawn_behind_its_table(archive: Path) -> None:
    pytest.importorskip("matplotlib")
    path = archive / "sample-0.csv"
    header, *rows = path.read_text().splitlines()
    path.write_text("\n".join([header, *rows[::5]]) + "\n")
    where = ("--config", archive / "cells.toml", "--cell", "larval-hall", "--plot", archive / "none.svg")
    shown = ran("replay", "--compare", "loop-water", path, *where).out
    assert "loop-water refused for" in shown
    assert "sample-0.csv: nothing accepted" in (archive / "none.svg").read_text()


def test_an_on_request_cell_and_a_criterion_without_compare_say_what_to_do(archive: Path) -> None:
    where = (archive / "sample-0.csv", "--config", archive / "cells.toml", "--out", archive / "out.jsonl")
    assert "on request only: ask with --request TIME" in ran("replay", *where, "--cell", "larval-hall").err
    told = ran("replay", "hasty", *where, status=64).err
    assert "hasty: no such recording. A criterion is tried with --compare" in told
