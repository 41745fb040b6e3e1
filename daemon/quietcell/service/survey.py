"""What recordings held, and why little came of them: in words for whoever replays an archive."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np

from quietcell.core.electrode.nernst import nernst_factor_mv
from quietcell.core.endpoint.criterion import Criterion, coarser, slower
from quietcell.core.recording import Chunk, Piece, Remarks
from quietcell.core.records import Body, DeterminationBody, Verdict
from quietcell.core.times import rfc3339
from quietcell.service.compare import counted

_MOSTLY = 0.5
_BOUNDS = (
    ("drift_bound_mv_per_min", "max_drift_mv_per_min", "bound of the drift", "mV/min"),
    (
        "long_drift_bound_mv_per_min",
        "long_max_drift_mv_per_min",
        "bound of the drift over long_window_s",
        "mV/min",
    ),
    ("remaining_ph_bound", "max_remaining_ph", "still to come", "pH"),
    ("temperature_drift_c_per_min", "max_temperature_drift_c_per_min", "drift of the temperature", "°C/min"),
)
"""What a determination tells, the limit of the criterion, and both in words."""


class Survey:
    """Looks at recordings as they are read."""

    def __init__(self) -> None:
        self._rows = 0
        self._first_utc_ms: int | None = None
        self._last_utc_ms: int | None = None
        self._intervals_ms: list[tuple[float, int]] = []
        """Median of each chunk, and of how many."""
        self._equal = 0
        self._without: Counter[str] = Counter()
        self._remarks: list[str] = []
        self._ph_decimals: int | None = None

    def read(self, pieces: Iterable[Piece], remarks: Remarks) -> Iterator[Piece]:
        """Pass pieces on; what was remarked counts also where the rest cannot be read."""
        try:
            for piece in pieces:
                if isinstance(piece, Chunk):
                    self._look_at(piece)
                yield piece
        finally:
            self._note(remarks)

    def _note(self, remarks: Remarks) -> None:
        if remarks.ph_decimals is not None:
            self._ph_decimals = max(remarks.ph_decimals, self._ph_decimals or 0)
        if remarks.left_out:
            self._remarks.append(f"Rows left out: {remarks.left_out}; the first: {remarks.first_left_out}")
        if remarks.steps_back:
            self._remarks.append(
                f"Rows at which time goes back, so that a segment and its window begin: "
                f"{remarks.steps_back}; the first: {remarks.first_step_back}"
            )

    def _look_at(self, chunk: Chunk) -> None:
        first, last = int(chunk.utc_ms[0]), int(chunk.utc_ms[-1])
        self._first_utc_ms = first if self._first_utc_ms is None else min(first, self._first_utc_ms)
        self._last_utc_ms = last if self._last_utc_ms is None else max(last, self._last_utc_ms)
        self._rows += len(chunk.utc_ms)
        steps = np.diff(chunk.utc_ms)
        self._equal += int((steps == 0).sum())
        if (steps > 0).any():
            self._intervals_ms.append((float(np.median(steps[steps > 0])), len(steps)))
        for name, values in chunk.columns.items():
            self._without[name] += int(np.isnan(values).sum())

    def lines(self) -> list[str]:
        """Return what was read."""
        if self._first_utc_ms is None or self._last_utc_ms is None:
            return ["Readings: none", *self._remarks]
        span = f"{rfc3339(self._first_utc_ms)} to {rfc3339(self._last_utc_ms)}"
        every = f", mostly {self._every_s():g} s apart" if self._intervals_ms else ""
        return [f"Readings: {self._rows}, {span}{every}", *self._remarks]

    def _every_s(self) -> float:
        """Return the usual time from reading to reading."""
        by_length = sorted(self._intervals_ms)
        before = np.cumsum([count for _, count in by_length])
        return by_length[int(np.searchsorted(before, before[-1] / 2))][0] / 1000

    def coarse(self, criteria: Sequence[tuple[str, Criterion]]) -> list[str]:
        """Return for which of the criteria pH was recorded in too coarse steps."""
        if self._ph_decimals is None:
            return []
        step_ph = 10.0**-self._ph_decimals
        step_mv = step_ph * nernst_factor_mv(25.0)
        return [
            f"pH was recorded in steps of {step_ph:g}, {step_mv:.2g} mV, and {name} states resolution_mv = "
            f"{each.resolution_mv:g}: steps then pass for spikes. {_based_on(coarser(each, step_mv))}"
            for name, each in criteria
            if step_mv > each.resolution_mv
        ]

    def hints(self, criteria: Sequence[tuple[str, Criterion]]) -> list[str]:
        """Return why readings like these come to nothing by any of the criteria."""
        if not self._rows or not criteria:
            return []
        hints = [
            f"No reading holds {what}: name its column under [cells.NAME.recording]{also}"
            for name, what, also in (
                ("mv", "a potential", ""),
                ("temperature_c", "a temperature", ", or fix it there"),
            )
            if self._without[name] == self._rows
        ]
        if 0 < self._without["mv"] < self._rows:
            hints.append(
                f"{self._without['mv']} readings hold no potential, and behind each the window begins anew: "
                "rows of other things are better left out of the recording"
            )
        if self._equal > _MOSTLY * self._rows:
            hints.append(
                "Most readings share their time with others, as where it is told to the minute: when they "
                'were taken is not known. If they came evenly, time = "row" and interval_s tell it'
            )
        elif self._intervals_ms:
            every_s = self._every_s()
            hints += [
                _too_seldom(*each, every_s) for each in criteria if every_s > each[1].longest_interval_s
            ]
        return hints


def _too_seldom(name: str, criterion: Criterion, every_s: float) -> str:
    asks = f"min_readings = {criterion.min_readings} in window_s = {criterion.window_s:g}, max_gap_s = "
    return (
        f"A reading every {every_s:g} s never fills the window of {name} ({asks}{criterion.max_gap_s:g}). "
        f"{_based_on(slower(criterion, every_s))}"
    )


def _based_on(numbers: Mapping[str, float]) -> str:
    told = ", ".join(f"{key} = {value:g}" for key, value in numbers.items())
    return f"A criterion of your own may be based on it, with {told}"


class Outcome:
    """Counts what became of determinations, and how near those came that were refused."""

    def __init__(self) -> None:
        self._verdicts: Counter[str] = Counter()
        self._reasons: Counter[str] = Counter()
        self._rejected: Counter[str] = Counter()
        self._nearest: dict[str, float] = {}

    def note(self, body: Body) -> None:
        """Count a determination."""
        if not isinstance(body, DeterminationBody):
            return
        self._verdicts[body.verdict.value] += 1
        self._reasons.update(reason.value for reason in body.reasons)
        self._rejected.update(body.rejected_readings)
        if body.verdict is Verdict.REFUSED:
            for name, *_ in _BOUNDS:
                value = getattr(body, name)
                if value is not None:
                    self._nearest[name] = min(abs(value), self._nearest.get(name, abs(value)))

    @property
    def accepted(self) -> int:
        """Number of those accepted or qualified."""
        return self._verdicts[Verdict.ACCEPTED.value] + self._verdicts[Verdict.QUALIFIED.value]

    def lines(self, criterion: Criterion) -> list[str]:
        """Return how many there were, and where nothing was accepted what kept it from that."""
        told = ", ".join(f"{count} {verdict}" for verdict, count in sorted(self._verdicts.items()))
        lines = [f"Determinations: {told or 'none'}"]
        if self._reasons:
            lines[0] += f" ({counted(self._reasons)})"
        if self._rejected and not self.accepted:
            lines.append(f"Readings that did not count: {counted(self._rejected)}")
        for name, limit, words, unit in _BOUNDS:
            value, allowed = self._nearest.get(name), getattr(criterion, limit)
            if not self.accepted and value is not None and value > allowed:
                lines.append(
                    f"At the end of the best of them: {words} {value:.3g} {unit}, {limit} = {allowed:g}"
                )
        return lines
