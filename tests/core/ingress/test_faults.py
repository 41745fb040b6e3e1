"""Sensors that repeat themselves or read what no water has, beside displays that are only coarse."""

import numpy as np
import pytest

from quietcell.core.ingress.detector import Detector
from quietcell.core.ingress.event import IngressSettings
from quietcell.core.readings import ReadingBlock

HOUR_S = 3600


def found(
    *, stuck: str = "", step: float = 0.0, noise_ph: float = 0.002, noise_log: float = 0.002
) -> list[tuple[str, str]]:
    """Return kinds and states told of two hours, the second with a quantity that repeats itself."""
    rng = np.random.default_rng(1)
    n = 2 * HOUR_S
    ph = 6.8 + rng.normal(0.0, noise_ph, n)
    kappa = 0.08 * (1.0 + rng.normal(0.0, noise_log, n))
    if stuck == "ph":
        ph[HOUR_S:-900] = ph[HOUR_S]
    if stuck == "conductivity":
        kappa[HOUR_S:-900] = kappa[HOUR_S]
    if step:
        ph, kappa = np.round(ph / step) * step, np.round(kappa / (0.1 * step)) * 0.1 * step
    detector = Detector(IngressSettings(conductivity_position="same"))
    detector.see(
        ReadingBlock.from_columns(
            ms=np.arange(1, n + 1) * 1000,
            mv=np.zeros(n),
            temperature_c=25.0 + rng.normal(0.0, 0.005, n),
            conductivity_us_cm=kappa,
        ),
        ph,
    )
    return [(event.kind, event.state) for event in detector.tick(n * 1000)]


@pytest.mark.parametrize("quantity", ["ph", "conductivity"])
def test_a_sensor_that_repeats_itself_is_told_until_it_moves_again(quantity: str) -> None:
    assert found(stuck=quantity) == [(f"{quantity}-stuck", "opened"), (f"{quantity}-stuck", "closed")]


@pytest.mark.parametrize("step", [0.002, 0.01, 0.05])
def test_a_coarse_display_is_no_stuck_sensor(step: float) -> None:
    assert found(step=step) == []


def test_a_sensor_that_never_moved_is_not_told() -> None:
    assert found(noise_ph=0.0, noise_log=0.0) == []


def test_a_conductivity_that_wavers_about_the_lowest_possible_is_told_of_once() -> None:
    rng = np.random.default_rng(3)
    n = 6 * HOUR_S
    hours = np.arange(n) / HOUR_S
    # Sinks below pure water's 0.055 within an hour, then wavers there with a period of 40 min.
    wavering = np.where(hours < 1.0, 0.02 * (1.0 - hours), 0.008 * np.sin(2.0 * np.pi * hours * 1.5))
    detector = Detector(IngressSettings(conductivity_position="same"))
    detector.see(
        ReadingBlock.from_columns(
            ms=np.arange(1, n + 1) * 1000,
            mv=np.zeros(n),
            temperature_c=np.full(n, 25.0),
            conductivity_us_cm=0.05501 * np.exp(-0.055 + wavering) * (1.0 + rng.normal(0.0, 0.001, n)),
        ),
        6.98 + rng.normal(0.0, 0.002, n),
    )
    events = [event for event in detector.tick(n * 1000) if event.kind == "conductivity-too-low"]
    assert [event.state for event in events] == ["opened"]


def test_a_flow_that_is_measured_no_longer_has_stopped_for_ten_minutes_and_not_for_ever() -> None:
    rng = np.random.default_rng(4)
    n = 3 * HOUR_S
    seconds = np.arange(n)
    detector = Detector(IngressSettings(conductivity_position="same"))
    detector.see(
        ReadingBlock.from_columns(
            ms=np.arange(1, n + 1) * 1000,
            mv=np.zeros(n),
            temperature_c=np.full(n, 25.0),
            conductivity_us_cm=0.08 * (1.0 + rng.normal(0.0, 0.002, n)),
            flow_ml_min=np.select([seconds < HOUR_S, seconds < 2 * HOUR_S], [100.0, 0.0], np.nan),
        ),
        6.8 + rng.normal(0.0, 0.002, n),
    )
    events = [event for event in detector.tick(n * 1000) if event.kind == "flow-stopped"]
    assert [(event.state, event.at_ms // 60_000) for event in events] == [("opened", 61), ("closed", 130)]


def test_a_fast_fall_of_ph_is_no_noise() -> None:
    rng = np.random.default_rng(2)
    n = HOUR_S
    ph = np.where(np.arange(n) < 1800, 8.6, 6.4 + 2.2 * np.exp(-(np.arange(n) - 1800) / 20.0))
    detector = Detector(IngressSettings())
    detector.see(
        ReadingBlock.from_columns(
            ms=np.arange(1, n + 1) * 1000, mv=np.zeros(n), temperature_c=25.0 + rng.normal(0.0, 0.005, n)
        ),
        ph + rng.normal(0.0, 0.002, n),
    )
    assert "ph-noisy" not in [event.kind for event in detector.tick(n * 1000)]
