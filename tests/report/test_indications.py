"""What readings show is the same whether the database finds their extremes or each is looked at."""

from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.core.electrode.influences import LowIonicCheck
from quietcell.core.electrode.nernst import Line
from quietcell.core.readings import Flag, ReadingBlock
from quietcell.core.times import utc_ms
from quietcell.ledger.readings_files import ReadingsFiles, SegmentReadings
from quietcell.report import indications
from quietcell.report.envelope import STEPS, Envelope
from quietcell.report.indications import Indications, Piece, Wanted, read
from quietcell.report.material import Span

CELL = "header-tank"
BEGAN_MS = utc_ms("2026-06-30T18:00:00Z")  # over the turn of a month
HOUR_MS = 3_600_000
LIMITS: dict[str, float | None] = {
    "ph_low": 6.72, "ph_high": 7.29, "conductivity_high_us_cm": 0.0712, "conductivity_stage_1": None,
    "temperature_low_c": 18.2, "flow_low_ml_min": 71.0,
}  # fmt: skip


def some_readings(rng: np.random.Generator, n: int, **mishaps: float) -> ReadingBlock:
    """Readings that waver about limits, some wild, missing or flagged."""

    def wavering(middle: float, size: float) -> Any:
        return middle + size * (
            rng.normal(0.0, 1.0, n) + 2.0 * np.sin(np.arange(n) / rng.uniform(50.0, 400.0))
        )

    def struck(share: float) -> Any:
        return rng.uniform(size=n) < share

    mv, temperature_c = wavering(3.0, 4.0), wavering(21.0, 0.7)
    conductivity, flow = wavering(0.065, 0.0014), wavering(85.0, 3.0)
    mv[struck(mishaps.get("wild", 0.0))] = 1900.0
    temperature_c[struck(mishaps.get("hot", 0.0))] = 140.0
    for column in (mv, temperature_c, conductivity, flow):
        column[struck(mishaps.get("missing", 0.0))] = np.nan
    conductivity[struck(mishaps.get("endless", 0.0))] = np.inf
    flags = np.where(struck(mishaps.get("flagged", 0.0)), Flag.METER_STATUS.value, 0)
    steps = rng.choice([0, 20_000, 20_000, 20_017], n)
    return ReadingBlock.from_columns(
        ms=np.cumsum(steps).astype(np.int64), mv=mv, temperature_c=temperature_c,
        conductivity_us_cm=conductivity, flow_ml_min=flow, flags=flags,
    )  # fmt: skip


def both_ways(want: Wanted) -> list[Indications]:
    found = []
    for shortest_ms in (0, 10**12):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(indications, "SHORT_STEP_MS", shortest_ms)
            found.append(read(want))
    return found


@settings(deadline=None, max_examples=12)
@given(
    st.integers(0, 10**6),
    st.fixed_dictionaries(
        {each: st.sampled_from([0.0, 0.0, 0.01]) for each in ("wild", "hot", "missing", "endless", "flagged")}
    ),
    st.sampled_from(["carbonate", "ammonia"]),
    st.booleans(),
    st.sampled_from([None, 0.01, 0.0668]),
)
def test_extremes_found_by_the_database_tell_what_each_reading_tells(
    seed: int, mishaps: dict[str, float], model: str, calibrated: bool, checked_from: float | None
) -> None:
    rng = np.random.default_rng(seed)
    check = None
    if checked_from is not None:
        check = LowIonicCheck(
            bias_ph=0.07, standard_uncertainty_ph=0.01, lowest_conductivity_us_cm=checked_from
        )
    line = Line(slope_pct=float(rng.choice([-97.0, 98.4])), zero_mv=3.1, isopotential_ph=6.8)
    with TemporaryDirectory() as place:
        files, pieces, at_ms = ReadingsFiles(Path(place)), [], BEGAN_MS
        for segment in (1, 2):
            block = some_readings(rng, 900, **mishaps)
            files.append([SegmentReadings(cell=CELL, segment=segment, anchor_utc_ms=at_ms, block=block)])
            own = LIMITS if segment == 1 else {"conductivity_high_us_cm": 0.0698}
            piece = Piece(
                segment=segment, anchor_ms=at_ms, line=line if calibrated else None, water_model=model,
                limits=dict(own), check=check,
            )  # fmt: skip
            pieces.append(piece)
            at_ms += int(block.ms[-1]) + 60_000
        files.close()
        span = Span(
            from_ms=BEGAN_MS + int(rng.integers(0, HOUR_MS)), to_ms=at_ms - int(rng.integers(0, HOUR_MS))
        )
        apart = (span.from_ms + 2 * HOUR_MS, span.from_ms + 2 * HOUR_MS + 700_000)
        want = Wanted(folder=Path(place), cell=CELL, span=span, pieces=tuple(pieces), apart=(apart,))
        for limits in (True, False):
            each = tuple(piece if limits else replace(piece, limits={}) for piece in pieces)
            fast, slow = both_ways(replace(want, pieces=each))
            assert (fast.readings, fast.counted) == (slow.readings, slow.counted)
            assert fast.excursions == slow.excursions
            for name, envelope in slow.envelopes.items():
                np.testing.assert_array_equal(fast.envelopes[name].low, envelope.low)
                np.testing.assert_array_equal(fast.envelopes[name].high, envelope.high)


def test_readings_of_which_extremes_tell_all_are_not_fetched(tmp_path: Path) -> None:
    files = ReadingsFiles(tmp_path)
    block = some_readings(np.random.default_rng(1), 900)
    files.append([SegmentReadings(cell=CELL, segment=1, anchor_utc_ms=BEGAN_MS, block=block)])
    files.close()
    piece = Piece(
        segment=1, anchor_ms=BEGAN_MS, line=Line(slope_pct=98.4, zero_mv=3.1), water_model="carbonate",
        limits={"ph_low": 5.0, "conductivity_high_us_cm": 1.0},
    )  # fmt: skip
    span = Span(from_ms=BEGAN_MS, to_ms=BEGAN_MS + int(block.ms[-1]) + 1)
    want = Wanted(folder=tmp_path, cell=CELL, span=span, pieces=(piece,), apart=())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(indications, "SHORT_STEP_MS", 0)
        patch.setattr(ReadingsFiles, "between", None)  # breaks where it is asked
        found = read(want)
    assert (found.readings, found.excursions) == (900, [])
    assert np.nanmax(found.envelopes["temperature_c"].high) == block.temperature_c.max()


@given(st.integers(0, 10**13), st.integers(STEPS, 10**11), st.integers(0, STEPS - 1))
def test_every_instant_lies_in_the_step_that_begins_before_it(
    from_ms: int, length_ms: int, step: int
) -> None:
    envelope = Envelope(span=Span(from_ms=from_ms, to_ms=from_ms + length_ms))
    begins_ms = envelope.begins_ms(step)
    assert envelope.step_of(begins_ms) == step
    assert begins_ms == from_ms or envelope.step_of(begins_ms - 1) == step - 1
    assert envelope.step_of(envelope.begins_ms(step + 1) - 1) == step
