"""The detector at work in a cell's engine: readings in, episodes and doubts out, caveats for results."""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from quietcell.core.ingress.detector import Detector
from quietcell.core.ingress.episode import EpisodeBody, episode_body
from quietcell.core.ingress.event import EpisodeEvent, IngressSettings
from quietcell.core.ingress.flow_test import PLACES
from quietcell.core.ingress.wording import REJECTED, cause
from quietcell.core.inputs import EpisodeVerdict, FlowTested
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import Body, DoubtBody, Json, Qualifier, Verdict
from quietcell.core.settings import CellSettings
from quietcell.core.stamp import Stamp

TRUE_WATER: Final = ("base-ingress", "salt-ingress", "temperature")
"""Diagnoses that speak of the water, not against the value: an excursion is no reason for a caveat."""
CARBONIC: Final = ("co2-ingress", "acidic-ingress", "cannot-tell")
"""Diagnoses behind which carbon dioxide may be."""
OF_ELECTRODE: Final = "junction-drift"
"""Diagnosis that speaks of the electrode, and goes with it."""
REMEMBERED_MS: Final = 24 * 3_600_000
"""Results delivered earlier than this are not doubted one by one."""


@dataclass(slots=True, kw_only=True)
class Known:
    """An open episode as the records tell of it."""

    id: str
    """Of the record that opened it."""
    diagnosis: str
    place: str
    confirmed: bool = False


class IngressWatch:
    """Watches one cell.

    Parameters
    ----------
    settings : CellSettings
        The cell.
    sample : bool
        Whether what it watches was brought to the electrode.
    """

    def __init__(self, settings: CellSettings, *, sample: bool = False) -> None:
        self._settings = settings
        self._sample = sample
        self._detector = Detector(IngressSettings.of(settings))
        self._unseen: list[ReadingBlock] = []
        """Readings the detector has not been given: it works on ten seconds at once."""
        self._open: dict[int, Known] = {}
        self._delivered: list[tuple[int, str]] = []
        """When accepted or qualified results were delivered, and their ids."""

    # --- input ---------------------------------------------------------------------------------

    def see(self, counting: ReadingBlock) -> None:
        """Take readings that count."""
        if len(counting):
            self._unseen.append(counting)

    def _show(self) -> None:
        """Give the detector what it has not seen."""
        if not self._unseen:
            return
        counting = self._unseen[0] if len(self._unseen) == 1 else ReadingBlock.concatenate(self._unseen)
        self._unseen = []
        ph = np.asarray(self._settings.line.ph(counting.mv, counting.temperature_c))
        # Also where the check does not reach: levels are compared, and its edge is no step of the water.
        self._detector.see(counting, ph - _bias_ph(self._settings))

    def tick(self, ms: int, stamp: Stamp) -> Iterator[Body]:
        """Let everything up to `ms` happen and yield the records of it."""
        self._show()
        for event in self._detector.tick(ms):
            yield from self._tell(event, stamp)

    def deliver(self, ms: int, result_id: str, verdict: Verdict) -> None:
        """Remember a determination that left as a result."""
        if verdict in (Verdict.ACCEPTED, Verdict.QUALIFIED):
            self._delivered = [each for each in self._delivered if each[0] >= ms - REMEMBERED_MS]
            self._delivered.append((ms, result_id))

    def judge(self, verdict: EpisodeVerdict, stamp: Stamp) -> Iterator[Body]:
        """Let a person confirm or reject an open episode; one that is not open is left alone."""
        number = next((n for n, known in self._open.items() if known.id == verdict.episode), None)
        if number is None:
            return
        self._open[number].confirmed = verdict.verdict == "confirm"
        event = self._detector.told_again(number, verdict.ms, close=verdict.verdict == "reject")
        if event is not None:
            told = event if event.state != "closed" else replace(event, kind=REJECTED)
            yield from self._tell(told, stamp)

    def flow_tested(self, test: FlowTested, stamp: Stamp) -> Iterator[Body]:
        """Place what is open of carbon dioxide where a flow test has found it to come in."""
        place = PLACES.get(test.verdict)
        for number, known in tuple(self._open.items()):
            if place is not None and known.diagnosis in CARBONIC:
                event = self._detector.placed(number, test.ms, place)
                if event is not None:
                    yield from self._tell(event, stamp)

    def new_segment(self, ended_ms: int) -> None:
        """Move to the time of the next segment, whose zero lies at `ended_ms`."""
        self._show()
        self._detector.new_segment(ended_ms)
        self._delivered = [(ms - ended_ms, each) for ms, each in self._delivered]

    def keep_dates(self, ms: int) -> None:
        """Let episodes and results keep their dates in UTC, which went on by `ms` on its own."""
        self._detector.keep_dates(ms)
        self._delivered = [(at_ms - ms, each) for at_ms, each in self._delivered]

    def reconfigure(self, settings: CellSettings) -> None:
        """Go on under other settings, between segments."""
        self._show()
        known, self._detector = self._detector.state(), Detector(IngressSettings.of(settings))
        self._detector.restore(known)
        if (settings.line, _bias_ph(settings)) != (self._settings.line, _bias_ph(self._settings)):
            self._detector.forget_levels(0)  # a pH by another calibration compares with none before
        self._settings = settings

    def set_aside(self, ms: int) -> None:
        """Compare with readings behind `ms` only: the electrode was elsewhere, in a buffer perhaps.

        What is open stays open, for the water is the same.
        """
        self._show()  # what came before goes with the levels
        self._detector.forget_levels(ms)

    def new_sample(self, ms: int, stamp: Stamp) -> Iterator[Body]:
        """Forget the water before: the electrode has been put into another; what is open closes with it."""
        self._show()
        for number in tuple(self._open):
            event = self._detector.told_again(number, ms, close=True)
            if event is not None:
                yield from self._tell(event, stamp)
        self._detector.new_sample(ms)
        self._open.clear()

    def new_electrode(self, ms: int, stamp: Stamp) -> Iterator[Body]:
        """Close what was suspected of the electrode before: it took its junction along."""
        for number in [number for number, known in self._open.items() if known.diagnosis == OF_ELECTRODE]:
            event = self._detector.told_again(number, ms, close=True)
            if event is not None:
                yield from self._tell(event, stamp)

    def forget(self, closed: Collection[str]) -> None:
        """Know no more of episodes that were closed: ids of the records that opened them."""
        for number in [number for number, known in self._open.items() if known.id in closed]:
            self._detector.told_again(number, 0, close=True)
            del self._open[number]

    # --- what it says of a determination ---------------------------------------------------------

    @property
    def episodes(self) -> tuple[str, ...]:
        """Ids of the records that opened the episodes still open."""
        return tuple(known.id for known in self._open.values())

    @property
    def refuses(self) -> bool:
        """Whether carbon dioxide is known to come in between sample point and electrode."""
        return any(self._in_sample_path(known) for known in self._open.values())

    @property
    def doubtful(self) -> bool:
        """Whether an open episode speaks against a value or leaves open what it is of."""
        return any(known.diagnosis not in TRUE_WATER for known in self._open.values())

    @property
    def qualifiers(self) -> tuple[Qualifier, ...]:
        """The caveats that travel with a value now."""
        upstream = {k.place == "upstream" for k in self._open.values() if k.diagnosis in CARBONIC}
        told = {True: Qualifier.CO2_IN_WATER, False: Qualifier.CO2_UNLOCATED}
        return tuple(told[each] for each in sorted(upstream, reverse=True))

    @property
    def smallest_co2_ug_per_l(self) -> float | None:
        """The smallest rise of total carbonate, as CO2, that would have been found by now."""
        return self._detector.smallest_co2_ug_per_l

    # --- records -------------------------------------------------------------------------------

    @staticmethod
    def _in_sample_path(known: Known) -> bool:
        return known.place == "sample-path" and known.diagnosis in CARBONIC

    def _tell(self, event: EpisodeEvent, stamp: Stamp) -> Iterator[Body]:
        identity = stamp.identity(event.at_ms)
        known = self._open.get(event.number)
        if known is None:
            known = Known(id=identity["id"], diagnosis=event.diagnosis, place=event.place)
        # A doubt is written once for what the records say by now; a caveat that stood already covers it.
        news = event.state == "opened" or self._worse(known, event)
        known.diagnosis, known.place = event.diagnosis, event.place
        body = episode_body(
            event,
            **identity,
            episode=known.id,
            confirmed=known.confirmed,
            text_of=stamp.text,
            sample=self._sample,
        )
        if event.state == "closed":
            self._open.pop(event.number, None)
        else:
            self._open[event.number] = known
        yield body
        if news and event.state != "closed" and event.diagnosis not in TRUE_WATER:
            yield from self._doubt(event, body, stamp)

    def _worse(self, known: Known, event: EpisodeEvent) -> bool:
        was_true = known.diagnosis in TRUE_WATER
        now = Known(id=known.id, diagnosis=event.diagnosis, place=event.place)
        return (was_true and event.diagnosis not in TRUE_WATER) or (
            self._in_sample_path(now) and not self._in_sample_path(known)
        )

    def _doubt(self, event: EpisodeEvent, body: EpisodeBody, stamp: Stamp) -> Iterator[Body]:
        """Doubt the results delivered since an episode began."""
        ids = tuple(each for ms, each in self._delivered if event.began_ms < ms <= event.at_ms)
        if not ids:
            return
        number = f"{len(ids)} result" + ("s" if len(ids) > 1 else "")
        yield DoubtBody(
            **stamp.identity(event.at_ms),
            cause="ingress",
            about=body.id,
            since=body.began,
            until=body.at,
            determinations=ids,
            text=f"{number} delivered since {body.began} may be wrong. {cause(event, sample=self._sample)}.",
        )

    # --- checkpoint ----------------------------------------------------------------------------

    def state(self) -> dict[str, Json]:
        """Return all that is known as JSON values."""
        self._show()
        return {
            "detector": self._detector.state(),
            "open": {
                str(number): [known.id, known.diagnosis, known.place, known.confirmed]
                for number, known in self._open.items()
            },
            "delivered": [list(each) for each in self._delivered],
        }

    def restore(self, state: Mapping[str, Json]) -> None:
        """Go on from what `state` gave."""
        self._detector.restore(state["detector"])
        self._open = {
            int(number): Known(id=row[0], diagnosis=row[1], place=row[2], confirmed=row[3])
            for number, row in state["open"].items()
        }
        self._delivered = [(row[0], row[1]) for row in state["delivered"]]


def _bias_ph(settings: CellSettings) -> float:
    """Return what a low-ionic check takes off every reading of the water."""
    return 0.0 if settings.water_check is None else settings.water_check.bias_ph
