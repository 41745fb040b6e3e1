"""The pure part: numbers in, numbers and record bodies out; no I/O, no clock, no randomness.

Examples
--------
Judge readings of one's own, as arrays, as the daemon would; `read_recording` gives them of a file:

>>> import numpy as np
>>> from quietcell.core.electrode.nernst import Line
>>> from quietcell.core.endpoint.criterion import SHIPPED
>>> from quietcell.core.engine import Engine
>>> from quietcell.core.inputs import SegmentBegan, SegmentEnded
>>> from quietcell.core.readings import ReadingBlock
>>> from quietcell.core.records import DeterminationBody
>>> from quietcell.core.settings import CellSettings
>>> s, noise = np.arange(1200), np.random.default_rng(1).normal(0.0, 0.05, 1200)
>>> readings = ReadingBlock.from_columns(
...     ms=1000 * s, mv=30.0 + 20.0 * np.exp(-s / 40.0) + noise, temperature_c=np.full(1200, 21.0)
... )
>>> cell = CellSettings(
...     cell="header-tank",
...     criterion_name="grab-water",
...     criterion=SHIPPED["grab-water"],
...     line=Line(slope_pct=98.4, zero_mv=3.1),
... )
>>> engine, began_utc_ms = Engine(cell), 1_772_352_000_000
>>> given = [
...     SegmentBegan(segment=1, utc_ms=began_utc_ms, cause="started", time_quality="not-known"),
...     readings,
...     SegmentEnded(ms=1_200_000, cause="recording-ended"),
... ]
>>> bodies = [body for item in given for body in engine.take(item)]
>>> results = [body for body in bodies if isinstance(body, DeterminationBody) and body.ph is not None]
>>> first = results[0]
>>> first.ended, first.verdict.value, f"pH {first.ph:.2f} ± {first.ph_expanded_uncertainty:.2f}"
('2026-03-01T08:05:15.000Z', 'qualified', 'pH 6.53 ± 0.16')
"""
