"""The waters watched for ingress: a cell's own, and the one someone who works at it has brought."""

from collections.abc import Collection, Iterator
from dataclasses import replace
from itertools import chain

import numpy as np

from quietcell.core.engine_state import EngineState
from quietcell.core.ingress.watch import IngressWatch
from quietcell.core.inputs import Attendance, EpisodeVerdict
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import Body
from quietcell.core.settings import CellSettings
from quietcell.core.stamp import Stamp


class Waters:
    """Watches one cell.

    Parameters
    ----------
    settings : CellSettings
        The cell.
    stamp : Stamp
        Numbers and dates the records.
    """

    def __init__(self, settings: CellSettings, stamp: Stamp) -> None:
        self._settings = settings
        self._stamp = stamp
        self.own = IngressWatch(settings)
        self.brought: IngressWatch | None = None
        """What someone brought to the bench, while the cell's own water is left alone."""
        self.attendance: Attendance | None = None
        """Someone works at the cell: its readings are not of the own water."""
        self._look_ms: int | None = None
        """Time of the last look that came and was not done."""

    @property
    def measured(self) -> IngressWatch:
        """The watch over what is measured now."""
        return self.brought or self.own

    def see(self, counting: ReadingBlock) -> None:
        """Take readings that count of what is measured now; in a beaker no flow has stopped."""
        if self.brought is not None:
            counting = replace(counting, flow_ml_min=np.full(len(counting), np.nan))
        self.measured.see(counting)

    @property
    def _all(self) -> tuple[IngressWatch, ...]:
        return (self.own,) if self.brought is None else (self.own, self.brought)

    @property
    def episodes(self) -> tuple[str, ...]:
        """Ids of the records that opened the episodes still open."""
        return tuple(episode for watch in self._all for episode in watch.episodes)

    def look_at(self, ms: int) -> None:
        """Let a look at `ms` be due.

        Many cost little more than one, so each waits until its records are due or a verdict rests on it.
        """
        self._look_ms = ms

    def look(self) -> Iterator[Body]:
        """Look up to the last time that was due."""
        if self._look_ms is not None:
            ms, self._look_ms = self._look_ms, None
            yield from self.measured.tick(ms, self._stamp)

    def judge(self, verdict: EpisodeVerdict) -> Iterator[Body]:
        """Let a person confirm or reject an episode of either."""
        return chain.from_iterable(watch.judge(verdict, self._stamp) for watch in self._all)

    def forget_episodes(self, closed: Collection[str]) -> None:
        """Know no more of episodes by the ids of the records that opened them."""
        for watch in self._all:
            watch.forget(closed)

    def attend(self, attendance: Attendance) -> None:
        """Let someone begin to work."""
        self.attendance = attendance
        self.brought = IngressWatch(self._settings, sample=True) if attendance.work == "measure" else None

    def leave(self, ms: int) -> Iterator[Body]:
        """Let nobody work at the cell, and what they brought be gone."""
        if self.attendance is not None and self.attendance.work != "flow-test":
            self.own.set_aside(ms)
        self.attendance = None
        if self.brought is not None:
            yield from self.brought.new_sample(ms, self._stamp)
            self.brought = None

    def new_segment(self, ended_ms: int) -> None:
        """Move to the time of the next segment, whose zero lies at `ended_ms`."""
        for watch in self._all:
            watch.new_segment(ended_ms)

    def keep_dates(self, ms: int) -> None:
        """Let what was told keep its dates: UTC went on by `ms`, and no time is taken to have passed."""
        for watch in self._all:
            watch.keep_dates(ms)

    def reconfigure(self, settings: CellSettings) -> None:
        """Go on under other settings; what is known of the water stays."""
        for watch in self._all:
            watch.reconfigure(settings)
        self._settings = settings

    def restore(self, known: EngineState) -> None:
        """Go on from a state."""
        self.attendance = known.attendance
        self.own.restore(known.ingress)
        self.brought = None
        if known.brought is not None:
            self.brought = IngressWatch(self._settings, sample=True)
            self.brought.restore(known.brought)
