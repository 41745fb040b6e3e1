"""Open recordings through `quietcell replay`; origin and licence lie beside each recording in tests/data."""

import csv
import json
import math
from collections import Counter
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from tests.support.command import ran

DATA = Path(__file__).parents[1] / "data"
START = "2026-01-01T00:00:00Z"


def replayed(
    tmp_path: Path, recording: str, config: str, *words: str, most_rows: int = 5000
) -> list[dict[str, Any]]:
    """Run the command on the first rows and return the lines it writes."""
    path, out = tmp_path / "replay.toml", tmp_path / "out.jsonl"
    path.write_text(config)
    cut = tmp_path / Path(recording).name
    cut.write_text("".join((DATA / recording).read_text().splitlines(keepends=True)[: most_rows + 1]))
    ran("replay", cut, "--config", path, "--out", out, *words)
    lines = [json.loads(line) for line in out.read_text().splitlines()]
    assert all(line["recording"] == Path(recording).name for line in lines)
    return lines


def rows(recording: str) -> list[dict[str, float]]:
    with (DATA / recording).open() as file:
        return [{name: float(row[name]) for name in row if name != "t_local"} for row in csv.DictReader(file)]


def results(lines: list[dict[str, Any]]) -> list[dict[str, Any]]:
    taken = ("accepted", "qualified")
    return [line for line in lines if line["record"] == "determination" and line["verdict"] in taken]


def elapsed_s(line: dict[str, Any]) -> float:
    return (datetime.fromisoformat(line["ended"]) - datetime.fromisoformat(START)).total_seconds()


# --- temperature baths: millivolts that rise with pH ---------------------------------------------

BATH = """
[criteria.bath]
window_s = 300.0
long_window_s = 600.0
min_readings = 8
max_gap_s = 95.0
resolution_mv = {resolution_mv}
max_wait_s = 7200.0
[cells.bath]
criterion = "bath"
every_s = 300.0
calibration = {{ slope_pct = -100.0, zero_mv = {zero_mv}, isopotential_ph = 5.0398 }}
[cells.bath.recording]
time = "elapsed-s"
start = 2026-01-01T00:00:00Z
columns = {{ time = "t_s", mv = "e_mV", temperature_c = "temp_C" }}
"""
K_MV_PER_KELVIN = math.log(10) * 8.314462618 / 96485.33212 * 1000  # CODATA 2018


def tris_ph(temperature_c: float) -> float:
    """pH (total scale) of Tris in artificial sea water, S = 35.

    Source: DelValls and Dickson, Deep-Sea Research I 45 (1998) 1541, equation 18.
    """
    t, s = temperature_c + 273.15, 35.0
    return (
        (11911.08 - 18.2499 * s - 0.039336 * s * s) / t
        - 366.27059
        + 0.53993607 * s
        + 0.00016329 * s * s
        + (64.52243 - 0.084041 * s) * math.log(t)
        - 0.11149858 * t
    )


@pytest.mark.parametrize(
    ("name", "resolution_mv", "rms_ph"),
    [
        ("20230407-1105_sensor-G_logger-P", 0.001, 0.015),
        ("20230408-1230_sensor-G_logger-Q", 0.031, 0.007),
    ],
)
def test_a_sensor_whose_potential_rises_with_ph_gives_the_ph_of_the_bath(
    name: str, resolution_mv: float, rms_ph: float, tmp_path: Path
) -> None:
    recording = f"isfet-bath/{name}.csv"
    known = rows(recording)
    point = known[-len(known) // 20]  # one point in the last tenth fixes the line
    k_mv = K_MV_PER_KELVIN * (point["temp_C"] + 273.15)
    iso_mv = point["e_mV"] - k_mv * (tris_ph(point["temp_C"]) - 5.0398)
    zero_mv = iso_mv + K_MV_PER_KELVIN * 298.15 * (7.0 - 5.0398)
    config = BATH.format(zero_mv=zero_mv, resolution_mv=resolution_mv)
    found = results(replayed(tmp_path, recording, config, most_rows=200))
    late = [line["ph"] - tris_ph(line["temperature_c"]) for line in found if elapsed_s(line) > 600.0]
    assert len(late) >= 5
    assert math.sqrt(sum(off * off for off in late) / len(late)) < rms_ph


def test_a_request_begins_a_determination_as_at_the_bench(tmp_path: Path) -> None:
    config = BATH.format(zero_mv=-60.0, resolution_mv=0.001)
    lines = replayed(
        tmp_path,
        "isfet-bath/20230407-1800_sensor-G_logger-P.csv",
        config,
        "--request",
        "2026-01-01T01:00:00Z",
        most_rows=200,
    )
    (only,) = [line for line in lines if line["record"] == "determination"]
    assert (only["mode"], only["began"]) == ("on-request", "2026-01-01T01:00:00.000Z")


def test_a_request_just_before_the_first_reading_counts_from_it_and_an_earlier_one_is_told(
    tmp_path: Path,
) -> None:
    config = BATH.format(zero_mv=-60.0, resolution_mv=0.001)
    recording = "isfet-bath/20230407-1800_sensor-G_logger-P.csv"
    lines = replayed(tmp_path, recording, config, "--request", "2025-12-31T23:59:30Z", most_rows=200)
    (only,) = [line for line in lines if line["record"] == "determination"]
    assert only["began"] == next(line for line in lines if line["record"] == "segment")["at"]
    with pytest.raises(AssertionError, match=r"no recording has readings at 2025-12-31T08:00:00.000Z"):
        replayed(tmp_path, recording, config, "--request", "2025-12-31T08:00:00Z", most_rows=200)


# --- acid in steps: thermometer faults -----------------------------------------------------------

ACID = """
[criteria.plateau]
window_s = 8.0
min_readings = 7
min_wait_s = 8.0
max_wait_s = 60.0
max_drift_mv_per_min = 10.0
max_remaining_ph = 2.0
based_on = "grab-water"
max_temperature_drift_c_per_min = 5.0
resolution_mv = 0.02
[criteria.minute]
based_on = "grab-water"
min_readings = 40
max_wait_s = 200.0
max_drift_mv_per_min = 1.5
max_remaining_ph = 2.0
resolution_mv = 0.02
[cells.beaker]
criterion = "CRITERION"
every_s = 1.0
calibration = { slope_pct = 98.0, zero_mv = -16.6 }
[cells.beaker.recording]
time = "row"
start = 2026-01-01T00:00:00Z
interval_s = 1.0
columns = { mv = "e_mV", temperature_c = "temp_C" }
"""
ACID_RUN = "glass-acid-steps/2021-04-27_05-40-26_part1.csv"


def test_eight_thermometer_faults_and_the_jump_are_named_in_the_record(tmp_path: Path) -> None:
    named: Counter[str] = Counter()
    for line in replayed(tmp_path, ACID_RUN, ACID.replace("CRITERION", "minute")):
        named.update(line.get("rejected_readings") or {})
    assert named["temperature-out-of-range"] == 8
    assert named["temperature-jump"] == 1  # 49.6 °C among 30 °C


def test_faults_between_determinations_are_in_the_segment_s_record(tmp_path: Path) -> None:
    named: dict[str, int] = Counter()
    for line in replayed(tmp_path, ACID_RUN, ACID.replace("CRITERION", "plateau")):
        named[line["record"]] += (line.get("rejected_readings") or {}).get("temperature-out-of-range", 0)
    assert named["segment"] > 0
    assert sum(named.values()) == 8


@pytest.mark.parametrize(
    "recording", [ACID_RUN, *(f"glass-acid-steps/2021-06-17_{at}.csv" for at in ("15-26-51", "17-58-17"))]
)
def test_no_window_mixes_levels_across_an_addition_of_acid(recording: str, tmp_path: Path) -> None:
    known = rows(recording)
    found = results(replayed(tmp_path, recording, ACID.replace("CRITERION", "plateau")))
    assert found
    assert all(28.9 < line["temperature_c"] < 30.8 for line in found)
    for line in found:
        end = round(elapsed_s(line))
        inside = known[max(0, end - round(line["window_s"])) : end + 1]
        levels: dict[float, list[float]] = {}
        for row in inside:
            levels.setdefault(row["acid_mL"], []).append(row["e_mV"])
        middles = [sorted(level)[len(level) // 2] for level in levels.values() if len(level) > 1]
        # 10 mV/min over 8 s: what the criterion itself allows.
        assert max(middles) - min(middles) < 2 * 10.0 * 8.0 / 60.0


# --- a stirred reactor: doubled and late records -------------------------------------------------

REACTOR = """
[criteria.noisy]
based_on = "grab-water"
max_drift_mv_per_min = 2.0
max_remaining_ph = 0.05
max_remaining_risk = 0.05
max_wait_s = 300.0
[criteria.few]
based_on = "grab-water"
window_s = 6.0
min_wait_s = 6.0
max_wait_s = 12.5
min_readings = 4
max_drift_mv_per_min = 0.2
resolution_mv = 0.01
[cells.reactor]
criterion = "CRITERION"
every_s = 1.0
calibration = { slope_pct = 100.0, zero_mv = 0.0 }
[cells.reactor.recording]
time = "elapsed-s"
start = 2026-01-01T00:00:00Z
temperature_c = 22.0
columns = { time = "t_s", ph = "pH" }
"""
REACTOR_RUN = "reactor-glass-1hz/run-a.csv"
ACID_FEED_S = 417.0


def test_doubled_and_late_records_are_no_gaps_and_nothing_rests_once_acid_is_fed(tmp_path: Path) -> None:
    lines = replayed(tmp_path, REACTOR_RUN, REACTOR.replace("CRITERION", "noisy"))
    assert not [line for line in lines if line["record"] == "gap"]
    assert lines[-1]["readings"] == len(rows(REACTOR_RUN))
    found = results(lines)
    assert found
    assert all(elapsed_s(line) <= ACID_FEED_S for line in found)
    assert all(line["ph"] == pytest.approx(7.79, abs=0.03) for line in found)


def slope(times: list[float], values: list[float]) -> float:
    mean_time, mean_value = sum(times) / len(times), sum(values) / len(values)
    centred = [time - mean_time for time in times]
    return sum(c * (v - mean_value) for c, v in zip(centred, values, strict=True)) / sum(
        c * c for c in centred
    )


def test_a_recording_is_not_written_over_by_what_comes_of_it(tmp_path: Path) -> None:
    recording = tmp_path / "run.csv"
    recording.write_text("time,mv,temperature_c\n")
    told = ran("replay", recording, "--out", f"{tmp_path}/./run.csv", "--config", "none.toml", status=64).err
    assert "is one of the recordings" in told
    assert recording.read_text() == "time,mv,temperature_c\n"


def test_drift_goes_by_the_times_of_doubled_and_late_records(tmp_path: Path) -> None:
    known = [(row["t_s"], row["pH"]) for row in rows(REACTOR_RUN)]
    mv_per_ph = -K_MV_PER_KELVIN * 295.15
    off_by_time, off_by_count = [], []
    for line in replayed(tmp_path, REACTOR_RUN, REACTOR.replace("CRITERION", "few")):
        if line["record"] != "determination" or line["drift_mv_per_min"] is None:
            continue
        end_s = elapsed_s(line)
        inside = [(t, mv_per_ph * ph) for t, ph in known if end_s - 6.0005 < t <= end_s + 0.0005]
        if "max-wait" not in line["reasons"] or not line["readings"] == len(inside) < 8:
            continue
        times, values = [t for t, _ in inside], [mv for _, mv in inside]
        by_time = 60.0 * slope(times, values)
        off_by_time.append(abs(line["drift_mv_per_min"] - by_time))
        off_by_count.append(abs(60.0 * slope([float(n) for n in range(len(inside))], values) - by_time))
    assert len(off_by_time) > 50
    assert max(off_by_time) < 0.01  # mV/min; times are rounded to milliseconds
    assert max(off_by_count) > 3.0
