"""The uncertainty of pH at 25 °C, which follows from what a record and its configuration hold."""

from collections.abc import Mapping, Sequence
from math import isfinite
from operator import itemgetter

import numpy as np

from quietcell.core.records import Json
from quietcell.core.water.uncertainty25 import ph_25c_expanded_uncertainty

PLACES = 4
"""Decimals, as the uncertainties of records have."""
_USUAL_C = 0.2
"""Of a thermometer nobody described, as in the configuration."""


def uncertainties_25c(
    determinations: Sequence[tuple[int, Mapping[str, Json]]],
    configurations: Sequence[tuple[int, Mapping[str, Json]]],
) -> list[float | None]:
    """Return U (k = 2) of the pH at 25 °C of each determination; None where it has none.

    Parameters
    ----------
    determinations : sequence of (int, mapping)
        Number and body of each.
    configurations : sequence of (int, mapping)
        The same of the configurations of the cell: the last before a determination tells how good the
        thermometer was.
    """
    configurations = sorted(configurations, key=itemgetter(0))
    numbers = [seq for seq, _ in configurations]
    found: list[float | None] = [None] * len(determinations)
    by_model: dict[str, list[int]] = {}
    for index, (_, body) in enumerate(determinations):
        if body["ph_25c"] is not None:
            by_model.setdefault(body["ph_25c_model"], []).append(index)
    for model, own in by_model.items():
        behind = np.searchsorted(numbers, [determinations[i][0] for i in own])
        thermometers = [_thermometer_c(configurations[at - 1][1] if at else {}) for at in behind.tolist()]
        ph, temperature_c, u_ph, spread = np.array(
            [[determinations[i][1][name] for name in _NEEDED] for i in own], np.float64
        ).T
        u = ph_25c_expanded_uncertainty(
            ph,
            temperature_c,
            model,
            ph_expanded_uncertainty=u_ph,
            temperature_expanded_uncertainty_c=thermometers,
            spread=spread,
        )
        for index, value in zip(own, u.tolist(), strict=True):
            found[index] = round(value, PLACES) if isfinite(value) else None
    return found


_NEEDED = ("ph", "temperature_c", "ph_expanded_uncertainty", "ph_25c_spread")


def _thermometer_c(configuration: Mapping[str, Json]) -> float:
    """Return U (k = 2) of the temperature that was configured, °C."""
    settings = configuration.get("settings", {})
    return float(settings.get("temperature_uncertainty_c", _USUAL_C))
