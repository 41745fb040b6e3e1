"""Open recordings through the detector; origin and licence lie beside each of them."""

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from quietcell.core.electrode.nernst import MV_PER_KELVIN
from quietcell.core.ingress.detector import Detector
from quietcell.core.ingress.event import EpisodeEvent, IngressSettings
from quietcell.core.readings import ReadingBlock
from tests.support.tables import DATA, columns

UG_PER_UMOL = 44.0095
Array = NDArray[np.float64]


def told(
    at_s: "NDArray[np.floating[Any]]",
    ph: Array,
    temperature_c: Array | float,
    conductivity_us_cm: Array | None = None,
) -> list[EpisodeEvent]:
    detector = Detector(IngressSettings(conductivity_position="same"))
    block = ReadingBlock.from_columns(
        ms=np.round(at_s * 1000).astype(np.int64),
        mv=np.zeros(len(at_s)),
        temperature_c=temperature_c + np.zeros(len(at_s)),
        conductivity_us_cm=conductivity_us_cm,
    )
    detector.see(block, ph)
    return detector.tick(int(block.ms[-1]) + 10_000)


@pytest.mark.parametrize("every_s", [1, 10, 604_800])
@pytest.mark.parametrize("conductivity", [True, False])
def test_rain_of_strong_acids_is_never_called_carbon_dioxide(every_s: int, conductivity: bool) -> None:
    ph, kappa = columns("rain-low-conductivity/weekly_1998-2008", "pH_lab", "cond25_uScm")
    events = told(np.arange(len(ph)) * float(every_s), ph, 25.0, kappa if conductivity else None)
    assert "co2-ingress" not in {event.diagnosis for event in events}


def test_acid_fed_to_a_reactor_is_never_called_carbon_dioxide() -> None:
    at_s, ph = columns("reactor-glass-1hz/run-a", "t_s", "pH")
    assert "co2-ingress" not in {event.diagnosis for event in told(at_s, ph, 22.0)}


@pytest.mark.parametrize("name", sorted(path.stem for path in (DATA / "isfet-bath").glob("2*.csv")))
def test_a_buffer_in_a_bath_is_never_called_carbon_dioxide(name: str) -> None:
    at_s, mv, warm = columns(f"isfet-bath/{name}", "t_s", "e_mV", "temp_C")
    # The mV of this sensor rise with pH, its zero by -1.0 mV/K; its level is set to the buffer's pH.
    off = mv - np.median(mv) + 1.0 * (warm - np.median(warm))
    ph = 8.2 + off / (MV_PER_KELVIN * (warm + 273.15))
    assert "co2-ingress" not in {event.diagnosis for event in told(at_s, ph, warm)}


@pytest.mark.parametrize("conductivity", [True, False])
@pytest.mark.parametrize("minutes_per_unit", [10, 30])
def test_uptake_from_air_is_called_and_its_size_is_the_computed_carbonate(
    minutes_per_unit: int, conductivity: bool
) -> None:
    names = ("kLa_times_t", "pH", "cond_uScm", "dic_umol_kg")
    at, ph, kappa, carbonate = columns("co2-equilibrium-computed/uptake-normalised-25C", *names)
    pure = (0.0, 6.997, 0.0551, 0.0)  # the closed system of the same source, without carbonate
    at, ph, kappa, carbonate = (
        np.concatenate(([first], column))
        for first, column in zip(pure, (at, ph, kappa, carbonate), strict=True)
    )
    at_s = np.arange(0.5, (40 + 5 * minutes_per_unit) * 60.0)
    units = np.maximum(at_s / 60.0 - 40.0, 0.0) / minutes_per_unit
    read = np.exp(np.interp(units, at, np.log(kappa)))
    events = told(at_s, np.interp(units, at, ph), 25.0, read if conductivity else None)
    assert {event.diagnosis for event in events} == {"co2-ingress"}
    assert events[0].at_ms / 60_000 - 40 < (1.5 if conductivity else 5)
    for event in events:
        truth = UG_PER_UMOL * np.interp((event.at_ms / 60_000 - 40) / minutes_per_unit, at, carbonate)
        for amount in (event.co2_ug_per_l_from_ph, event.co2_ug_per_l_from_conductivity):
            if amount is not None:
                assert abs(amount.value - truth) <= amount.expanded_uncertainty
    assert (events[-1].co2_ug_per_l_from_conductivity is not None) is conductivity
