"""Agreeing portions, samples with potassium chloride, electrodes that come from a buffer."""

import re
from dataclasses import replace

import numpy as np
import pytest

from quietcell.core.bench_records import Purpose
from quietcell.core.electrode.nernst import Line
from quietcell.core.endpoint.criterion import SHIPPED, Criterion
from quietcell.core.engine import Engine
from quietcell.core.inputs import Attendance, EngineInput, ReferenceRequest, Request, SegmentEnded, TimeMark
from quietcell.core.readings import Flag, ReadingBlock
from quietcell.core.records import Json, SegmentEndCause
from tests.core.test_engine import stopped
from tests.support.streams import ANCHOR_UTC_MS, SHORT, began, cell_settings, determinations, readings, run

TWO = replace(SHORT, agreeing_portions=2, agreeing_within_ph=0.05)
PH_MV = 58.2


def portions(*levels_ph: float, sample_ids: tuple[str, ...] | None = None) -> list[dict[str, Json]]:
    """Portions asked for one after the other, each a minute at its own level."""
    inputs: list[EngineInput] = [began()]
    for k, level in enumerate(levels_ph):
        start_ms = 60_000 * k
        inputs.append(Request(ms=start_ms, sample_id=sample_ids[k] if sample_ids else "A"))
        block = readings(58, seed=k + 1, start_ms=start_ms)
        block.mv[:] -= PH_MV * level
        inputs.append(block)
    end = 60_000 * len(levels_ph)
    engine = Engine(cell_settings(TWO, mode="on-request"))
    return determinations(run(engine, [*inputs, stopped(end)]))


def test_a_portion_counts_once_the_one_before_agrees() -> None:
    first, second = portions(0.0, 0.02)
    assert (first["verdict"], first["reasons"]) == ("cannot-tell", ["too-few-agreeing-portions"])
    assert second["verdict"] == "accepted"
    assert second["portions_ph"] == [first["ph"], second["ph"]]


def test_portions_that_differ_are_asked_for_again_until_two_agree() -> None:
    assert [body["verdict"] for body in portions(0.0, 0.2, 0.21)] == [
        "cannot-tell",
        "cannot-tell",
        "accepted",
    ]


@pytest.mark.parametrize("zero_mv", [3.1, 5.0])
def test_portions_judged_by_another_calibration_do_not_count(zero_mv: float) -> None:
    settings = cell_settings(TWO, mode="on-request")
    again = replace(settings, line=replace(settings.line, zero_mv=zero_mv))
    engine = Engine(settings)
    bodies = run(engine, [began(), Request(ms=0, sample_id="A"), readings(50)])
    bodies += run(engine, [SegmentEnded(ms=58_000, cause="reloaded")])
    later = replace(began(2), cause="reloaded", settings=again)
    bodies += run(engine, [later, Request(ms=0, sample_id="A"), readings(50), stopped(58_000)])
    first, second = (body["verdict"] for body in determinations(bodies))
    assert (first, second) == ("cannot-tell", "accepted" if zero_mv == 3.1 else "cannot-tell")


def test_portions_of_another_sample_do_not_count() -> None:
    assert portions(0.0, 0.0, sample_ids=("A", "B"))[1]["verdict"] == "cannot-tell"


def test_continuous_determinations_are_portions_of_the_water_that_flows() -> None:
    bodies = determinations(run(Engine(cell_settings(TWO)), [began(), readings(200), stopped(200_000)]))
    assert [body["verdict"] for body in bodies[:3]] == ["cannot-tell", "accepted", "accepted"]


def salted(*, kcl_adjusted: bool) -> dict[str, Json]:
    """A reading of pH 5.4 in 800 µS/cm, as pharmacopoeial samples have, and in pure water's conductivity."""
    block = readings(95)
    mv = -PH_MV * (5.4 - 7.0) + 3.1 + (block.mv - 25.0)
    with_conductivity = ReadingBlock.from_columns(
        ms=block.ms,
        mv=mv,
        temperature_c=block.temperature_c,
        conductivity_us_cm=np.full(len(block), 0.06 if not kcl_adjusted else 800.0),
    )
    cell = cell_settings(kcl_adjusted=kcl_adjusted, mode="on-request")
    return determinations(run(Engine(cell), [began(), Request(ms=0), with_conductivity, stopped(96_000)]))[0]


def test_conductivity_says_nothing_about_a_sample_with_potassium_chloride() -> None:
    body = salted(kcl_adjusted=True)
    assert body["verdict"] == "accepted"
    assert body["kcl_adjusted"]
    assert body["ph_allowed_low"] is None
    assert body["conductivity_us_cm"] == 800.0
    assert "no-conductivity" not in body["qualifiers"]
    without = salted(kcl_adjusted=False)
    assert (without["verdict"], "conductivity-contradiction" in without["reasons"]) == ("refused", True)


@pytest.mark.parametrize(
    ("bracket_ph", "conductivity_us_cm", "told"),
    [
        (None, 0.06, "conductivity-contradiction (pH 5.92; conductivity and temperature allow 6.83 to 7.49)"),
        ((6.86, 9.18), 1.0, "outside-bracket (pH 5.92; the buffers reach from 6.86 to 9.18)"),
    ],
)
def test_a_value_at_rest_is_said_to_wait_for_what_speaks_against_it_to_end(
    bracket_ph: tuple[float, float] | None, conductivity_us_cm: float, told: str
) -> None:
    block = readings(80)
    conductivity = np.full(len(block), conductivity_us_cm)
    block = replace(block, mv=block.mv + 40.0, conductivity_us_cm=conductivity)
    engine = Engine(cell_settings(mode="on-request", bracket_ph=bracket_ph))
    run(engine, [began(), Request(ms=0), block, TimeMark(ms=80_000)])
    assert engine.indication().waits_for == f"an end of what speaks against the value at rest: {told}"


@pytest.mark.parametrize(
    ("every_ms", "flagged", "told"),
    [
        (4_500, None, "readings 14 of 15 in 60 s, for they come too seldom: give a criterion"),
        (6_000, None, "window 4 of 60 s, anew since the meter was silent"),
        (1_000, 90, "window 10 of 60 s, anew since a reading was flagged"),
    ],
)
def test_it_is_said_why_a_window_does_not_fill(every_ms: int, flagged: int | None, told: str) -> None:
    ms = np.arange(500, 100_000, every_ms)
    flags = np.zeros(len(ms), dtype=np.int64)
    if flagged is not None:
        flags[flagged] = int(Flag.BURST)
    block = replace(readings(len(ms)), ms=ms, flags=flags)
    engine = Engine(cell_settings(Criterion(), mode="on-request"))
    run(engine, [began(), Request(ms=0), block, TimeMark(ms=100_000)])
    assert engine.indication().waits_for.startswith(told)


def test_between_two_determinations_it_is_said_what_the_next_waits_for() -> None:
    asked, every_minute = Engine(cell_settings(mode="on-request")), Engine(cell_settings(every_s=60.0))
    for engine in (asked, every_minute):
        run(engine, [began(), readings(50), TimeMark(ms=50_000)])
    assert asked.indication().waits_for == "a request"
    assert every_minute.indication().waits_for == "the next determination, 10 s to go"


GRAB = Criterion(long_window_s=None, max_remaining_risk=0.02, max_wait_s=3000.0)


def junction(tail_mv: float, *, from_buffer: bool) -> dict[str, Json]:
    """A junction that relaxes over 40 min behind an electrode that is at rest after a minute."""
    seconds = 2400
    rng = np.random.default_rng(3)
    s = np.arange(seconds)
    mv = 30.0 + 60.0 * np.exp(-s / 10.0) + tail_mv * np.exp(-s / 2400.0) + rng.normal(0.0, 0.03, seconds)
    block = ReadingBlock.from_columns(ms=s * 1000 + 500, mv=mv, temperature_c=np.full(seconds, 25.0))
    cell = cell_settings(GRAB, mode="on-request", line=Line(slope_pct=100.0, zero_mv=0.0))
    inputs: list[EngineInput] = [began(), Request(ms=0, from_buffer=from_buffer), block, stopped(2_400_000)]
    return determinations(run(Engine(cell), inputs))[0]


def test_an_electrode_from_buffer_is_held_until_its_junction_has_relaxed() -> None:
    held = junction(2.0, from_buffer=True)
    assert held["from_buffer"]
    assert held["time_since_disturbance_s"] > 1266.0  # until then more than 0.02 pH is still to come
    proven = junction(0.0, from_buffer=True)
    assert proven["verdict"] != "refused"
    assert 480.0 <= proven["time_since_disturbance_s"] < 900.0
    assert junction(0.0, from_buffer=False)["time_since_disturbance_s"] < 240.0


def test_a_steady_change_is_waters_own_where_it_flows_and_no_endpoint_in_a_vessel() -> None:
    block = readings(3600, drift_mv_per_min=0.075, noise_mv=0.05)
    asked = int(np.searchsorted(block.ms, 2_750_000))
    flows = Engine(cell_settings(SHIPPED["loop-water"], every_s=600.0))
    delivered = determinations(run(flows, [began(), block, stopped(3_600_000)]))
    assert [body["verdict"] for body in delivered[:-1]] == ["qualified"] * (len(delivered) - 1)
    assert len(delivered) > 1
    vessel = Engine(cell_settings(SHIPPED["loop-water"], mode="on-request"))
    request = Request(ms=2_750_000)
    (body,) = determinations(
        run(vessel, [began(), block[:asked], request, block[asked:], stopped(3_600_000)])
    )
    assert (body["verdict"], "still-relaxing" in body["reasons"]) == ("refused", True)


@pytest.mark.parametrize(("purpose", "held"), [("calibration", True), ("check", True), ("low-ionic", False)])
@pytest.mark.parametrize("cause", ["stopped", "reloaded"])
def test_an_electrode_whose_work_in_buffers_was_cut_short_comes_from_buffer(
    purpose: Purpose, held: bool, cause: SegmentEndCause
) -> None:
    engine = Engine(cell_settings())
    come = Attendance(ms=5, id="daemon.1.9", state="began", work="check")
    dipped = ReferenceRequest(ms=6, id="daemon.1.10", purpose=purpose, solution="A", operator=None)
    run(engine, [began(), come, dipped, readings(20), SegmentEnded(ms=21_000, cause=cause)])
    again = began(2, utc_ms=ANCHOR_UTC_MS + 30_000, cause="started" if cause == "stopped" else "reloaded")
    bodies = run(engine, [again, readings(40), stopped(41_000)])
    assert determinations(bodies)[0]["from_buffer"] is held


def test_a_new_calibration_means_that_the_electrode_comes_from_buffer() -> None:
    engine = Engine(cell_settings())
    run(engine, [began(), readings(60), SegmentEnded(ms=60_000, cause="reloaded")])
    other = cell_settings(calibration_id="daemon.2.7")
    again = replace(began(segment=2, cause="reloaded"), settings=other)
    bodies = run(engine, [again, readings(100), SegmentEnded(ms=100_000, cause="stopped")])
    first = determinations(bodies)[0]
    assert (first["from_buffer"], first["verdict"]) == (True, "refused")


def test_the_indication_says_what_it_waits_for_in_numbers_and_minutes() -> None:
    seconds = 150
    s = np.arange(seconds)
    mv = 30.0 + 60.0 * np.exp(-s / 60.0) + np.random.default_rng(1).normal(0.0, 0.03, seconds)
    block = ReadingBlock.from_columns(ms=s * 1000 + 500, mv=mv, temperature_c=np.full(seconds, 25.0))
    engine = Engine(cell_settings(GRAB, mode="on-request"))
    run(engine, [began(), Request(ms=0), block, TimeMark(ms=150_000)])
    told = re.fullmatch(
        r"drift (\S+) of 0\.30 mV/min; (\S+) pH still to come, about (\d) min", engine.indication().waits_for
    )
    assert told is not None
    # Over the last minute the exponential is a chord from 13.4 to 4.9 mV, 8.5 on average.
    assert 8.0 < float(told[1]) < 11.0  # the least-squares slope is 8.1 mV/min, and this its bound
    assert float(told[2]) == pytest.approx(8.5 / 59.16, abs=0.02)
    assert told[3] in "12"  # 60 s x ln(4.9 mV / 0.02 pH)
