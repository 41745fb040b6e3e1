"""Excursions come from readings: any cut into blocks finds the same, and each is where the water was."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.core.electrode.influences import LowIonicCheck
from quietcell.core.readings import Flag, ReadingBlock
from quietcell.core.water.pharmacopoeia import stage_1_limit_us_cm
from quietcell.core.water.reference25 import ph_25c
from quietcell.errors import UsageError
from quietcell.report.envelope import STEPS, Envelope
from quietcell.report.excursions import (
    BRIDGE_S,
    Excursions,
    counting,
    limits_from,
    limits_of,
    ph_limit_at,
    ph_of,
)
from quietcell.report.material import Span
from tests.support.streams import cell_settings


@pytest.mark.parametrize("model", ["carbonate", "strong", "ammonia"])
@pytest.mark.parametrize("limit", [5.2, 6.6, 6.997, 7.3, 8.5])
def test_a_limit_at_25_degrees_is_followed_to_the_temperature_of_the_sample(model: str, limit: float) -> None:
    temperature_c = np.linspace(3.0, 92.0, 37)
    at_sample = ph_limit_at(limit, temperature_c, model)
    back = np.asarray(ph_25c(at_sample, temperature_c, model).value)
    assert back == pytest.approx(np.full(37, limit), abs=1e-3)


def fed(values: list[float], cuts: list[int], limits: dict[str, float | None]) -> Excursions:
    at_ms = np.arange(len(values), dtype=np.int64) * 60_000
    found = Excursions()
    for first, last in zip([0, *cuts], [*cuts, len(values)], strict=True):
        rows = slice(first, last)
        conductivity = np.array(values[rows])
        nothing = np.full(len(conductivity), np.nan)
        columns = {
            "ph": nothing, "conductivity_us_cm": conductivity, "flow_ml_min": nothing,
            "temperature_c": np.full(len(conductivity), 25.0),
        }  # fmt: skip
        found.feed(at_ms[rows], columns, limits, "carbonate")
    return found


@settings(deadline=None)
@given(st.lists(st.sampled_from([0.05, 0.2, 0.3]), min_size=1, max_size=60), st.data())
def test_any_cut_into_blocks_finds_the_same(values: list[float], data: st.DataObject) -> None:
    cuts = sorted(data.draw(st.lists(st.integers(0, len(values)), max_size=4)))
    limits: dict[str, float | None] = {"conductivity_high_us_cm": 0.1}
    whole, cut = fed(values, [], limits).found, fed(values, cuts, limits).found
    assert cut == whole
    past = [minute for minute, value in enumerate(values) if value > 0.1]
    runs = [m for i, m in enumerate(past) if i == 0 or (m - past[i - 1]) * 60 > BRIDGE_S]
    assert [one.from_ms // 60_000 for one in whole] == runs
    assert sum(one.readings for one in whole) == len(past)
    if past:
        assert max(one.furthest for one in whole) == max(values)


def test_an_excursion_names_its_first_last_and_furthest_reading() -> None:
    (one,) = fed([0.05, 0.2, 0.3, 0.2, 0.05], [3], {"conductivity_high_us_cm": 0.1}).found
    assert (one.from_ms, one.to_ms, one.furthest_ms) == (60_000, 180_000, 120_000)
    assert (one.furthest, one.readings, one.duration_s) == (0.3, 3, 120.0)


def test_ph_is_held_against_its_limit_at_25_degrees() -> None:
    found = Excursions()
    ph = np.array([6.62, 6.62])  # at 80 °C pure water has 6.3, so this is alkaline: 7.4 or so at 25 °C
    columns = {
        "ph": ph, "conductivity_us_cm": ph * np.nan, "flow_ml_min": ph * np.nan,
        "temperature_c": np.array([25.0, 80.0]),
    }  # fmt: skip
    found.feed(np.array([0, 1000]), columns, {"ph_high": 7.2}, "carbonate")
    (one,) = found.found
    assert one.from_ms == 1000
    assert one.furthest == pytest.approx(float(ph_25c(6.62, 80.0).value), abs=1e-9)


def test_the_stage_1_table_goes_with_the_temperature() -> None:
    limit = float(stage_1_limit_us_cm(25.0))
    found = fed([limit - 0.01, limit + 0.01], [], {"conductivity_stage_1": None}).found
    assert [one.from_ms for one in found] == [60_000]


def test_flagged_readings_and_those_of_a_bench_do_not_count() -> None:
    block = ReadingBlock.from_columns(
        ms=[0, 1000, 2000, 3000],
        mv=[10.0] * 4,
        temperature_c=[21.0] * 4,
        flags=[0, int(Flag.METER_STATUS), 0, 0],
    )
    assert counting(block, 500, [(2500, 3500)]).tolist() == [True, False, False, True]


def test_a_potential_no_electrode_gives_has_no_ph_and_without_calibration_there_is_none() -> None:
    block = ReadingBlock.from_columns(ms=[0, 1], mv=[10.0, 1800.0], temperature_c=[21.0, 21.0])
    ph = ph_of(block, cell_settings().line)
    assert np.isfinite(ph).tolist() == [True, False]
    assert ph[0] == cell_settings().line.ph(10.0, 21.0)
    assert np.isnan(ph_of(block, None)).all()


def test_readings_are_held_against_limits_with_the_bias_a_check_found_taken_off() -> None:
    block = ReadingBlock.from_columns(
        ms=[0, 1], mv=[10.0, 10.0], temperature_c=[21.0, 21.0], conductivity_us_cm=[0.5, 150.0]
    )
    check = LowIonicCheck(bias_ph=0.12, standard_uncertainty_ph=0.01)
    plain, found = ph_of(block, cell_settings().line), ph_of(block, cell_settings().line, check)
    assert (plain - found).round(9).tolist() == [0.12, 0.0]


def test_limits_come_from_the_settings_of_the_run_and_flow_from_its_criterion() -> None:
    run = {
        "cells": {
            "a": {"criterion": "k", "limits": {"ph_low": 6.2, "ph_high": None, "conductivity_stage_1": True}}
        },
        "criteria": {"k": {"flow_low_ml_min": 50.0, "flow_high_ml_min": None}},
    }
    assert limits_of(run, "a") == {"ph_low": 6.2, "conductivity_stage_1": None, "flow_low_ml_min": 50.0}
    assert limits_of(run, "b") == {}


@pytest.mark.parametrize(
    ("text", "told"),
    [("ph=6", "there is ph_low"), ("ph_low=six", "is no number"), ("ph_low", "is no number")],
)
def test_a_limit_that_is_none_is_refused(text: str, told: str) -> None:
    with pytest.raises(UsageError, match=told):
        limits_from([text])


@settings(deadline=None)
@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=300), st.integers(0, 300))
def test_an_envelope_keeps_the_lowest_and_highest_of_every_step(values: list[float], cut: int) -> None:
    span = Span(from_ms=0, to_ms=len(values) * 500)
    at_ms, column = np.arange(len(values), dtype=np.int64) * 500, np.array(values)
    envelope = Envelope(span=span)
    for rows in (slice(0, cut), slice(cut, None)):
        envelope.feed(at_ms[rows], column[rows], column[rows])
    step = np.minimum((at_ms / (span.to_ms / STEPS)).astype(int), STEPS - 1)
    for number in range(STEPS):
        own = column[step == number]
        if len(own):
            assert (envelope.low[number], envelope.high[number]) == (own.min(), own.max())
            assert envelope.low_c[number] == own.min()
        else:
            assert np.isnan(envelope.low[number])
