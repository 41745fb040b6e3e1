"""A picture of one determination: trace, windows, fit, forecast, and where each criterion accepts."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from quietcell.core.settings import CellSettings
from quietcell.core.times import utc_ms
from quietcell.errors import UsageError
from quietcell.service.compare import Accepted, Trace, Trial

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BEFORE_S, BEHIND_S = 30.0, 900.0
"""Shown before the beginning and behind the last value."""
COLOURS = ("tab:blue", "tab:orange", "tab:green", "tab:red", "tab:purple", "tab:brown")


def plot(path: Path, trace: Trace, trials: Sequence[Trial], settings: CellSettings, title: str) -> None:
    """Draw the first determination that a criterion of the trials accepted, else how the recording begins.

    Raises
    ------
    UsageError
        If no plotting library is installed, there are no readings, or the file can't be written so.
    """
    try:
        from matplotlib.figure import Figure  # noqa: PLC0415 # an extra; seconds to import
    except ImportError as error:
        raise UsageError(
            "drawing needs matplotlib", hint='Install it: pip install "quietcell[report]"'
        ) from error
    first = {each.criterion: each.accepted[0] for each in trials if each.accepted}
    if not len(trace.utc_ms):
        raise UsageError("holds no readings; there is nothing to draw", subject=title)
    began_ms = min((utc_ms(value.body.began) for value in first.values()), default=int(trace.utc_ms[0]))
    seconds, ph = (trace.utc_ms - began_ms) / 1000.0, trace.ph(settings)
    ended_ms = (utc_ms(value.body.ended) - began_ms for value in first.values())
    last_s = max(ended_ms, default=1000.0 * settings.criterion.max_wait_s) / 1000.0
    shown = (seconds >= -BEFORE_S) & (seconds <= last_s + BEHIND_S) & np.isfinite(ph)
    figure = Figure(figsize=(9.0, 5.0), layout="constrained")
    axes = figure.subplots()
    axes.plot(seconds[shown], ph[shown], ".", color="0.6", markersize=2, label="readings")
    end_s = float(seconds[shown][-1]) if shown.any() else last_s
    for colour, (name, value) in zip(COLOURS * len(first), first.items(), strict=False):
        _draw(axes, name, value, settings, colour, began_ms, end_s)
    axes.set_xlabel("s since the determination began" if first else "s since the first reading")
    axes.set_ylabel("pH")
    axes.set_title(title if first else f"{title}: nothing accepted")
    axes.legend(loc="best", fontsize="small")
    try:
        figure.savefig(path)
    except (ValueError, OSError) as error:
        raise UsageError(f"can't write the picture: {error}", subject=str(path)) from error


def _draw(  # one call draws one criterion
    axes: "Axes",
    name: str,
    value: Accepted,
    settings: CellSettings,
    colour: str,
    began_ms: int,
    end_s: float,
) -> None:
    """Draw window, fitted line and forecast of one accepted value."""
    body = value.body
    at_s = (utc_ms(body.ended) - began_ms) / 1000.0
    window_s = body.window_s or 0.0
    axes.axvline(at_s, color=colour, linewidth=1.0, label=f"{name} accepts {body.ph:.3f} after {at_s:.0f} s")
    axes.axvspan(at_s - window_s, at_s, color=colour, alpha=0.12, linewidth=0)
    if settings.criterion.long_window_s and body.long_drift_mv_per_min is not None:
        axes.axvspan(at_s - settings.criterion.long_window_s, at_s, color=colour, alpha=0.05, linewidth=0)
    if body.ph is None:
        return
    per_s = -(body.drift_mv_per_min or 0.0) / settings.mv_per_ph(body.temperature_c) / 60.0
    half = 0.5 * window_s
    axes.plot(
        [at_s - window_s, at_s], [body.ph - per_s * half, body.ph + per_s * half], color=colour, linewidth=2.0
    )
    if body.remaining_ph is not None and body.remaining_ph_bound is not None:
        end_ph, bound = body.ph + body.remaining_ph, body.remaining_ph_bound
        axes.plot([at_s, end_s], [end_ph, end_ph], "--", color=colour, linewidth=1.0)
        axes.fill_between(
            [at_s, end_s], body.ph - bound, body.ph + bound, color=colour, alpha=0.08, linewidth=0
        )
