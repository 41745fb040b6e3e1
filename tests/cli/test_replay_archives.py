"""Recordings as loggers have left them over the years, through `quietcell replay`."""

import gzip
import io
import json
import os
import sys
import threading
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietcell.core.electrode.nernst import MV_PER_KELVIN
from quietcell.core.times import rfc3339, utc_ms
from tests.support.command import Ran, ran

BEGAN_UTC_MS = utc_ms("2026-03-01T08:00:00Z")
READINGS = 2200
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
        path, cells, out = tmp_path / "loop.csv", tmp_path / "cells.toml", tmp_path / "out.jsonl"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        cells.write_text(config, encoding="utf-8")
        done = ran("replay", path, "--config", cells, "--out", out, *words, status=status)
        written = out.read_text(encoding="utf-8") if out.exists() else ""
        return [json.loads(line) for line in written.splitlines()], done

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


def table(
    *, heading: str = "mv", temperature: str = "temperature_c", first: int = 0, last: int = READINGS
) -> str:
    """A recording in the standard layout, or with other headings."""
    ph, temperature_c, us_cm = settling()
    mv = 12.0 - 0.95 * MV_PER_KELVIN * (temperature_c + 273.15) * (ph - 7.0)
    rows = [
        f"{time_of(n)},{mv[n]:.2f},{temperature_c[n]:.2f},{us_cm[n]:.4f}"
        for n in range(first, min(last, READINGS))
    ]
    return "\n".join([f"time,{heading},{temperature},conductivity_us_cm", *rows, ""])


def bodies(lines: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [line for line in lines if line["record"] != "configuration"]


@pytest.mark.parametrize(
    ("content", "mapping"),
    [
        (table().encode("utf-16"), ""),
        (table().encode("utf-8-sig"), ""),
        (table().replace("\n", "\r\n").encode(), ""),
        (table().replace("\n", "\r").encode(), ""),
        (gzip.compress(table().encode()), ""),
        (gzip.compress(table().encode("utf-16")), ""),
        (table(temperature="Temp °C").encode("latin-1"), 'encoding = "latin-1"\n'),
        (table(temperature="Temp °C").encode("utf-16-le"), 'encoding = "utf-16-le"\n'),
        (table(temperature="Temp °C").replace(",", ";").replace(".", ",").replace(",000Z", ".000Z").encode(),
         'delimiter = ";"\ndecimal_comma = true\n'),
    ],
    ids=["utf-16", "mark", "crlf", "cr", "packed", "packed utf-16", "latin-1", "utf-16-le", "comma"],
)  # fmt: skip
def test_text_may_be_packed_and_encoded_as_it_was(replayed: Replayed, content: bytes, mapping: str) -> None:
    columns = 'columns = { time = "time", mv = "mv", temperature_c = "Temp °C", conductivity_us_cm = 4 }\n'
    plain, _ = replayed(table(), CELL)
    lines, _ = replayed(
        content, CELL + (f"[cells.header-tank.recording]\n{mapping}{columns}" if mapping else "")
    )
    assert results(plain)
    assert bodies(lines) == bodies(plain)


@pytest.mark.parametrize("key", ["leave_out_unreadable = true", 'encoding = "utf-8"'])
def test_a_layout_that_names_no_columns_asks_for_time_and_mv_alone(replayed: Replayed, key: str) -> None:
    lines, _ = replayed(table(), f"{CELL}[cells.header-tank.recording]\n{key}\n")
    assert results(lines)


def test_a_fixed_temperature_goes_with_columns_of_the_standard_names(replayed: Replayed) -> None:
    lines, _ = replayed(table(), f"{CELL}[cells.header-tank.recording]\ntemperature_c = 35.0\n")
    assert results(lines)[-1]["temperature_c"] == 35.0


def test_an_encoding_that_was_not_told_is_named_as_the_fault(replayed: Replayed) -> None:
    _, done = replayed(table(temperature="Temp °C").encode("latin-1"), CELL, status=1)
    assert "cannot be read as utf-8. Say its encoding under [cells.NAME.recording]" in done.err


def test_a_packed_file_that_ends_too_soon_says_so(replayed: Replayed) -> None:
    _, done = replayed(gzip.compress(table().encode())[:-4000], CELL, status=1)
    assert "the packed file is damaged behind line" in done.err


def test_standard_input_is_read_like_a_file(
    tmp_path: Path, replayed: Replayed, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain, _ = replayed(table(), CELL)
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(table().encode())))
    out = tmp_path / "piped.jsonl"
    ran("replay", "-", "--config", tmp_path / "cells.toml", "--out", out)
    piped = [json.loads(line) for line in out.read_text().splitlines()]
    assert [{**line, "recording": "-"} for line in plain] == piped


def test_a_pipe_with_a_name_is_read_like_a_file(tmp_path: Path, replayed: Replayed) -> None:
    plain, _ = replayed(table(), CELL)
    pipe, out = tmp_path / "pipe", tmp_path / "piped.jsonl"
    os.mkfifo(pipe)
    writer = threading.Thread(target=pipe.write_text, args=(table(),))
    writer.start()
    ran("replay", pipe, "--config", tmp_path / "cells.toml", "--out", out)
    writer.join()
    piped = [json.loads(line) for line in out.read_text().splitlines()]
    assert [{**line, "recording": "pipe"} for line in plain] == piped


def test_files_of_one_logger_joined_give_what_the_whole_gives(tmp_path: Path, replayed: Replayed) -> None:
    plain, _ = replayed(table(), CELL)
    parts = []
    for number, (first, last) in enumerate([(0, 400), (400, 417), (417, 1100), (1100, READINGS)]):
        part = tmp_path / f"day-{number}.csv"
        part.write_text(table(first=first, last=last))
        parts.append(part)
    out = tmp_path / "joined.jsonl"
    ran("replay", "--join", *parts, "--config", tmp_path / "cells.toml", "--out", out)
    joined = [json.loads(line) for line in out.read_text().splitlines()]
    assert joined == [{**line, "recording": "day-0.csv"} for line in plain]


def test_a_folder_is_named_with_the_pattern_of_its_recordings(tmp_path: Path, replayed: Replayed) -> None:
    replayed(table(), CELL)
    where = ("--config", tmp_path / "cells.toml", "--out", tmp_path / "out.jsonl")
    assert "is a folder. Name its recordings: " in ran("replay", tmp_path, *where, status=64).err


def test_the_end_says_what_was_read_and_left_out(replayed: Replayed) -> None:
    rows = table().splitlines()
    text = "\n".join([*rows[:600], rows[600][:30], *rows[601:], ""])
    _, done = replayed(text, f"{CELL}[cells.header-tank.recording]\nleave_out_unreadable = true\n")
    assert f"Readings: {READINGS - 1}, {time_of(0)} to {time_of(READINGS - 1)}, mostly 1 s apart" in done.err
    assert "Rows left out: 1; the first: " in done.err
    assert "loop.csv:601: " in done.err


def test_files_that_overlap_are_told_by_the_row_where_time_goes_back(
    tmp_path: Path, replayed: Replayed
) -> None:
    replayed(table(), CELL)
    parts = [tmp_path / "first.csv", tmp_path / "second.csv"]
    parts[0].write_text(table(last=1200))
    parts[1].write_text(table(first=1100))
    out = tmp_path / "joined.jsonl"
    told = ran("replay", "--join", *parts, "--config", tmp_path / "cells.toml", "--out", out).err
    assert "Rows at which time goes back, so that a segment and its window begin: 1; the first: " in told
    assert "second.csv:2: " in told
    segments = [json.loads(line) for line in out.read_text().splitlines() if '"record": "segment"' in line]
    assert [(each["segment"], each["state"], each["cause"]) for each in segments] == [
        (1, "began", "started"),
        (1, "ended", "clock-step"),
        (2, "began", "clock-step"),
        (2, "ended", "recording-ended"),
    ]


def test_readings_too_seldom_are_told_with_numbers_that_would_do(replayed: Replayed) -> None:
    rows = table().splitlines()
    text = "\n".join([rows[0], *rows[1::10], ""])
    _, done = replayed(text, CELL)
    assert "A reading every 10 s never fills the window of loop-water (min_readings = 15" in done.err
    numbers = done.err.partition("based on it, with ")[2].replace(", ", "\n")
    criterion = f'criterion = "seldom"\n[criteria.seldom]\nbased_on = "loop-water"\n{numbers}'
    lines, done = replayed(text, CELL + criterion)
    assert "never fills" not in done.err
    assert results(lines)


def test_times_to_the_minute_and_readings_without_a_potential_are_told(replayed: Replayed) -> None:
    header, *rows = table().splitlines()
    minutes = "\n".join([header, *(row[:17] + "00.000Z" + row[24:] for row in rows), ""])
    assert "Most readings share their time with others" in replayed(minutes, CELL)[1].err
    empty = "\n".join([header, *(f"{row[:25]},,1.2" if n % 20 else row for n, row in enumerate(rows)), ""])
    assert (
        "readings hold no potential, and behind each the window begins anew" in replayed(empty, CELL)[1].err
    )


def test_a_refused_determination_tells_how_near_it_came(replayed: Replayed) -> None:
    strict = """
[criteria.strict]
based_on = "loop-water"
max_drift_mv_per_min = 0.101
long_max_drift_mv_per_min = 0.021
max_wait_s = 400
"""
    drifting = "\n".join(
        f"{cells[0]},{float(cells[1]) + 0.004 * n:.2f},{cells[2]},1.2" if n else ",".join(cells)
        for n, cells in enumerate(row.split(",") for row in table().splitlines())
    )
    cell = CELL.replace("calibration =", 'criterion = "strict"\ncalibration =')
    lines, done = replayed(drifting + "\n", cell + strict)
    assert not results(lines)
    assert "At the end of the best of them: bound of the drift 0.2" in done.err
    assert "mV/min, max_drift_mv_per_min = 0.101" in done.err


def test_one_recording_that_cannot_be_read_does_not_keep_the_others_from_it(
    tmp_path: Path, replayed: Replayed
) -> None:
    plain, _ = replayed(table(), CELL)
    bad, good, out = tmp_path / "bad.csv", tmp_path / "good.csv", tmp_path / "both.jsonl"
    bad.write_text("Date;E\n1;2\n")
    good.write_text(table())
    where = ("--config", tmp_path / "cells.toml", "--out", out)
    told = ran("replay", bad, good, *where, status=1).err
    assert "bad.csv:1: no column 'time'" in told
    assert "1 of 2 recordings could not be read to their end" in told
    written = [json.loads(line) for line in out.read_text().splitlines()]
    assert written == [{**line, "recording": "good.csv"} for line in plain]
    compared = ran("replay", "--compare", "loop-water", bad, good, *where, status=1)
    assert "loop-water" in compared.out


def test_what_was_read_of_a_recording_before_its_fault_counts(tmp_path: Path, replayed: Replayed) -> None:
    replayed(table(), f"{CELL}[cells.header-tank.recording]\nleave_out_unreadable = true\n")
    header, first, *rows = table().splitlines()
    bad, out = tmp_path / "bad.csv", tmp_path / "both.jsonl"
    bad.write_text("\n".join([header, first, "logger restarted", *rows, f'"{"x" * 70_000}"', rows[-1], ""]))
    told = ran(
        "replay", bad, tmp_path / "loop.csv", "--config", tmp_path / "cells.toml", "--out", out, status=1
    )
    assert "Rows left out: 1; the first: " in told.err
    read = [json.loads(line) for line in out.read_text().splitlines()]
    assert any(line["recording"] == "bad.csv" for line in results(read))


@pytest.mark.parametrize(("every", "count"), [(1, 3600), (20, 900)])
def test_a_coarse_ph_is_told_with_numbers_that_would_do(replayed: Replayed, every: int, count: int) -> None:
    """The thermometer's noise hides the steps of 0.01 pH, which then pass for spikes."""
    rng, s = np.random.default_rng(3), np.arange(count) * every
    temperature_c = 35.0 + rng.normal(0.0, 0.05, len(s))
    ph = 8.205 - 0.3 * np.exp(-s / 200.0) + rng.normal(0.0, 0.004, len(s))
    rows = [
        f"{rfc3339(BEGAN_UTC_MS + 1000 * int(at))},{p:.2f},{t:.1f}"
        for at, p, t in zip(s, ph, temperature_c, strict=True)
    ]
    text = "\n".join(["time,pH,T", *rows, ""])
    mapping = '[cells.header-tank.recording.columns]\ntime = "time"\nph = "pH"\ntemperature_c = "T"\n'
    first, done = replayed(text, CELL + mapping)
    told = done.err.split("based on it, with ")[1:]
    assert "pH was recorded in steps of 0.01, 0.59 mV" in done.err
    assert len(told) == (1 if every == 1 else 2)
    numbers: dict[str, float] = {}
    for part in told:
        for number in part.splitlines()[0].split(", "):
            key, value = number.split(" = ")
            numbers[key] = max(float(value), numbers.get(key, 0.0))
    own = "\n".join(f"{key} = {value}" for key, value in numbers.items())
    cell = CELL.replace("calibration =", 'criterion = "own"\ncalibration =')
    lines, done = replayed(text, f'{cell}[criteria.own]\nbased_on = "loop-water"\n{own}\n{mapping}')
    assert "based on it" not in done.err
    assert len(results(lines)) > len(results(first))
    assert results(lines)[-1]["ph"] == pytest.approx(8.205, abs=0.006)


class Endless(io.RawIOBase):
    """Text without a line end, as much as anybody asks for."""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        buffer[:] = b"7" * len(buffer)
        return len(buffer)


def test_a_line_that_never_ends_is_refused_and_not_held(
    replayed: Replayed, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    replayed(table(), CELL)
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BufferedReader(Endless())))
    done = ran("replay", "-", "--config", tmp_path / "cells.toml", "--out", tmp_path / "endless", status=1)
    assert "a line or quoted cell is longer than 65536 characters" in done.err


def test_more_nul_bytes_than_a_line_may_be_long_cost_no_row_behind_them(replayed: Replayed) -> None:
    plain, _ = replayed(table(), CELL)
    header, *rows = table().splitlines(keepends=True)
    lines, _ = replayed(header + rows[0] + "\0" * 200_000 + "".join(rows[1:]), CELL)
    assert results(plain)
    assert bodies(lines) == bodies(plain)


def test_a_heading_in_a_complaint_does_nothing_to_the_terminal(replayed: Replayed) -> None:
    _, done = replayed("\x1b]0;a title\x07time,mv\n", CELL, status=1)
    assert r"the file has \x1b]0;a title\x07time, mv" in done.err
