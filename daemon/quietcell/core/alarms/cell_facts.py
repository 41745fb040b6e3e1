"""What a cell's records have said so far, as far as alarms rest on it. Pure."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from quietcell.core.bench_records import (
    CARE_OF_ELECTRODE,
    CHECK_GROUPS,
    CLEARED_BY_CALIBRATION,
    tells_of_electrode,
)
from quietcell.core.records import Json
from quietcell.core.times import utc_ms

_NOT_ABOUT_WATER = frozenset({"stopped", "superseded", "busy", "reconfigured"})
"""Reasons of determinations that ended before anything could be judged."""
VALID = frozenset({"accepted", "qualified"})


def judges_water(determination: Mapping[str, Json]) -> bool:
    """Return whether a determination went on long enough to say something of the water."""
    return not _NOT_ABOUT_WATER & set(determination["reasons"])


@dataclass(slots=True, kw_only=True)
class Facts:
    """What the records of a cell have said so far; `learn` takes in the next."""

    result: Mapping[str, Json] | None = None
    """The last accepted or qualified determination."""
    doubt: Mapping[str, Json] | None = None
    """What was found later and speaks against that result."""
    determination: Mapping[str, Json] | None = None
    """The last that judged the water."""
    blind: int = 0
    """Determinations in a row that no carbon dioxide, however much, would have spoken against."""
    episodes: dict[str, Mapping[str, Json]] = field(default_factory=dict)
    """Those open, by the id of the record that opened them."""
    gone: dict[str, str] = field(default_factory=dict)
    """What was said of the last that closed, by diagnosis, until another opens."""
    changed_utc_ms: int = 0
    """When an episode last began or ended: the water before it is not the water after it."""
    sparse: Mapping[str, Json] | None = None
    """What says that readings come too seldom, while they do."""
    fault: Mapping[str, Json] | None = None
    """The last fault of the driver."""
    electrode: str | None = None
    """The one in the cell; what was found with another speaks of that one alone."""
    checks: dict[str | None, Mapping[str, Json]] = field(default_factory=dict)
    """The last calibration or check that was completed, by electrode."""
    all_failed: dict[str | None, dict[str, Mapping[str, Json]]] = field(default_factory=dict)
    """Those that did not pass and that nothing has cleared, by electrode and by what they speak of."""
    thermometer: Mapping[str, Json] | None = None
    """The last check of the thermometer, which stays when the electrode goes, where it failed."""
    all_cared_utc_ms: dict[tuple[str | None, str], int] = field(default_factory=dict)
    """When each work was last done that people note, by electrode, None for the cell's own, and name."""
    calibrated: bool = True
    calibration_expires_utc_ms: int | None = None
    continuous: bool = True
    findings: dict[str | None, tuple[str, str | None]] = field(default_factory=dict)
    """What is said against an electrode's condition, and the record that says it."""
    named_here: set[str] = field(default_factory=set)
    """Electrodes that were here before they had a name: what was noted without one is of them."""

    @property
    def finding(self) -> tuple[str, str | None]:
        """What is said against the condition of this electrode, and the record that says it."""
        return self.findings.get(self.electrode, ("", None))

    def cared_utc_ms(self, work: str) -> int | None:
        """Return when a work was last done to this electrode, or to the cell."""
        names = {self.electrode if work in CARE_OF_ELECTRODE else None}
        names |= {None} if self.electrode in self.named_here else set()
        done = [self.all_cared_utc_ms[name, work] for name in names if (name, work) in self.all_cared_utc_ms]
        return max(done, default=None)

    @property
    def check(self) -> Mapping[str, Json] | None:
        """The last calibration or check of this electrode that was completed."""
        return self.checks.get(self.electrode)

    @property
    def failed(self) -> Mapping[str, Mapping[str, Json]]:
        """What electrode and thermometer did not pass and nothing has cleared, by what it speaks of."""
        of_electrode = self.all_failed.get(self.electrode, {})
        return {**of_electrode, **({} if self.thermometer is None else {"temperature": self.thermometer})}

    def learn(self, body: Mapping[str, Json]) -> bool:
        """Take in a record of the cell; return whether it is of a kind that says something."""
        taker: Callable[[Mapping[str, Json]], None] | None = {
            "determination": self._learn_determination,
            "episode": self._learn_episode,
            "doubt": self._learn_doubt,
            "driver-fault": self._learn_fault,
            "gap": self._learn_gap,
            "configuration": self._learn_configuration,
            "calibration": self._learn_check,
            "check": self._learn_check,
            "electrode": self._learn_electrode,
            "note": self._learn_note,
        }.get(body["record"])
        if taker is not None:
            taker(body)
        return taker is not None

    def forget_what_is_ahead_of(self, utc_ms_: int) -> None:
        """Let nothing wait for a time that came before the clock was set back."""
        self.changed_utc_ms = min(self.changed_utc_ms, utc_ms_)
        if self.fault is not None and utc_ms(self.fault["at"]) > utc_ms_:
            self.fault = None

    def _learn_determination(self, body: Mapping[str, Json]) -> None:
        if "grab" in body and self.continuous:
            return  # a sample someone brought says nothing of the water that flows here
        if body["verdict"] in VALID:
            self.result, self.doubt = body, None
        if judges_water(body):
            self.determination = body
            blind = "smallest_co2_ug_per_l" in body and body["smallest_co2_ug_per_l"] is None
            self.blind = self.blind + 1 if blind else 0

    def _learn_doubt(self, body: Mapping[str, Json]) -> None:
        if self.result is not None and self.result["id"] in body["determinations"]:
            self.doubt = body

    def _learn_episode(self, body: Mapping[str, Json]) -> None:
        if body["state"] == "closed":
            self.episodes.pop(body["episode"], None)
            self.gone[body["diagnosis"]] = body["text"]
            changed = body["at"]
        else:
            self.episodes[body["episode"]] = body
            self.gone.pop(body["diagnosis"], None)
            changed = body["began"]
        self.changed_utc_ms = max(self.changed_utc_ms, utc_ms(changed))

    def _learn_fault(self, body: Mapping[str, Json]) -> None:
        self.fault = body

    def _learn_gap(self, body: Mapping[str, Json]) -> None:
        if (goes_on := body.get("goes_on")) is not None:
            self.sparse = body if goes_on else None

    def _learn_configuration(self, body: Mapping[str, Json]) -> None:
        settings = body["settings"]
        self.calibrated = settings.get("calibrated", True)
        self.calibration_expires_utc_ms = settings["calibration_expires_utc_ms"]
        self.continuous = settings["mode"] == "continuous"
        self.electrode = settings.get("electrode")

    def _learn_check(self, body: Mapping[str, Json]) -> None:
        group, electrode = CHECK_GROUPS[body.get("method", "buffer")], body.get("electrode")
        self._learn_condition(electrode, body)
        if group == "temperature":
            self.thermometer = body if body["verdict"] == "failed" else None
        if not tells_of_electrode(body):
            return
        self.checks[electrode] = body
        failed = self.all_failed.setdefault(electrode, {})
        if body["verdict"] in {"failed", "refused"}:
            failed[group] = body
        else:
            cleared = CLEARED_BY_CALIBRATION if body["record"] == "calibration" else {group}
            for each in cleared & failed.keys():
                del failed[each]

    def _learn_electrode(self, body: Mapping[str, Json]) -> None:
        """Take over what is said of an electrode that comes; one without a name is gone by then."""
        if body["thing"] != "electrode":
            return
        if body["state"] == "in-use":
            if body.get("already_there"):  # what was found before it had its name is of it, too
                self.named_here.add(body["name"])
                if None in self.checks:
                    self.checks[body["name"]] = self.checks[None]
                self.all_failed[body["name"]] = dict(self.all_failed.get(None, {}))
            self._learn_condition(body["name"], body)
        for of_nameless in (self.checks, self.all_failed, self.findings):
            of_nameless.pop(None, None)

    def _learn_note(self, body: Mapping[str, Json]) -> None:
        if (work := body.get("work")) is not None:
            self.all_cared_utc_ms[body.get("electrode"), work] = utc_ms(body["at"])

    def _learn_condition(self, electrode: str | None, body: Mapping[str, Json]) -> None:
        signal = body.get("condition")
        if signal is not None:
            reasons = body.get("condition_reasons") or [signal]
            self.findings[electrode] = ("" if signal == "none" else "; ".join(reasons), body["id"])


def concerns(body: Mapping[str, Json], cell: str) -> bool:
    """Tell whether facts of a cell rest on a record.

    Its own do, and what was done to an electrode anywhere, for that may come here.
    """
    return bool(body["cell"] == cell or (body["record"] == "note" and "electrode" in body))
