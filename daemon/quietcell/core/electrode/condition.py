"""Condition of an electrode from its history, as signals after NAMUR NE 107.

Five things are watched: slope, zero, response time, noise and junction. Each has three spans, given
as numbers: inside the *attention* span nothing is to be done; outside it, maintenance is required;
outside the *specified* span the electrode is out of specification; outside the *usable* span it has
failed. A trend that will leave the specified span within a stated time asks for maintenance before it
happens. What was never measured says so and signals nothing.

Signals and their meaning follow NAMUR NE 107 (failure, function check, out of specification,
maintenance required). Slope and zero limits follow USP <791> (90 to 105 %, 30 mV) and Ph. Eur. 2.2.3
(95 to 105 %); the others are common practice without a source.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise

import numpy as np

from quietcell.core.electrode.domain import number
from quietcell.core.electrode.least_squares import fit_linear
from quietcell.errors import DomainError

TREND_ENTRIES = 4
"""Fewest entries a trend is drawn through."""
TREND_SIGNIFICANCE = 3.0
"""A trend counts when it is this many times its standard error; common practice, no source."""


class Signal(StrEnum):
    """Status signals of NAMUR NE 107."""

    NONE = "none"
    MAINTENANCE_REQUIRED = "maintenance-required"
    OUT_OF_SPECIFICATION = "out-of-specification"
    FUNCTION_CHECK = "function-check"
    FAILURE = "failure"


SEVERITY = tuple(Signal)
"""From nothing to the one that hides all others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spans:
    """Where a quantity may lie, low and high, each span inside the next.

    Parameters
    ----------
    attention : tuple of float
        Nothing to be done inside.
    specified : tuple of float
        Results can be relied on inside.
    usable : tuple of float
        The electrode works at all inside.

    Raises
    ------
    DomainError
        Not numbers, or spans that do not lie inside each other.
    """

    attention: tuple[float, float]
    specified: tuple[float, float]
    usable: tuple[float, float]

    def __post_init__(self) -> None:
        """Refuse spans that cross."""
        edges = (
            self.usable[0],
            self.specified[0],
            self.attention[0],
            self.attention[1],
            self.specified[1],
            self.usable[1],
        )
        if any(not left <= right for left, right in pairwise(edges)):
            raise DomainError(
                f"attention {self.attention}, specified {self.specified}, usable {self.usable} "
                "do not lie inside each other",
                subject="spans",
                hint="Each span runs from low to high and contains the one before it",
            )


def _size_up_to(attention: float, specified: float, usable: float) -> Spans:
    return Spans(
        attention=(-attention, attention), specified=(-specified, specified), usable=(-usable, usable)
    )


def _from_zero_to(attention: float, specified: float, usable: float) -> Spans:
    return Spans(attention=(0.0, attention), specified=(0.0, specified), usable=(0.0, usable))


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionLimits:
    """Spans of the five quantities, and how far ahead a trend is followed.

    Parameters
    ----------
    slope_pct : Spans
        Size of the slope, % of theory.
    zero_mv : Spans
        Zero, mV.
    response_time_s : Spans
        Time from a change of solution to 95 % of the change, s.
    noise_mv : Spans
        Standard deviation of the potential at rest, mV.
    junction_ph : Spans
        Bias in water of known pH and low ionic strength, pH.
    notice_d : float
        A trend that reaches the specified span within this many days asks for maintenance.

    Raises
    ------
    DomainError
        `notice_d` negative or not finite.
    """

    slope_pct: Spans = field(
        default=Spans(attention=(93.0, 103.0), specified=(90.0, 105.0), usable=(70.0, 115.0))
    )
    zero_mv: Spans = field(default=_size_up_to(20.0, 30.0, 100.0))
    response_time_s: Spans = field(default=_from_zero_to(60.0, 180.0, 900.0))
    noise_mv: Spans = field(default=_from_zero_to(0.3, 1.0, 10.0))
    junction_ph: Spans = field(default=_size_up_to(0.1, 0.2, 0.6))
    notice_d: float = 30.0

    def __post_init__(self) -> None:
        """Refuse a notice that is none."""
        number("notice_d", self.notice_d, "d", (0.0, 3650.0))


DEFAULT_CONDITION_LIMITS = ConditionLimits()


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryEntry:
    """What was seen of an electrode on one day; None was not measured.

    Parameters
    ----------
    day : float
        Days on any axis that does not jump, such as days since the electrode was taken into use.
    slope_pct, zero_mv, response_time_s, noise_mv, junction_ph : float, optional
        As in `ConditionLimits`; the slope with its sign.

    Raises
    ------
    DomainError
        A number not finite, or a time or noise below zero.
    """

    day: float
    slope_pct: float | None = None
    zero_mv: float | None = None
    response_time_s: float | None = None
    noise_mv: float | None = None
    junction_ph: float | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot have been seen."""
        number("day", self.day, "d")
        for name, unit, low in (
            ("slope_pct", "%", -math.inf),
            ("zero_mv", "mV", -math.inf),
            ("response_time_s", "s", 0.0),
            ("noise_mv", "mV", 0.0),
            ("junction_ph", "pH", -math.inf),
        ):
            value = getattr(self, name)
            if value is not None:
                number(name, value, unit, (low, math.inf))


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What one quantity says.

    Parameters
    ----------
    quantity : str
        ``slope``, ``zero``, ``response-time``, ``noise``, ``junction`` or ``work``.
    signal : Signal
        After NAMUR NE 107.
    text : str
        The reason in words, with value, limit and what to do.
    """

    quantity: str
    signal: Signal
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ElectrodeCondition:
    """All findings, worst first."""

    findings: tuple[Finding, ...]

    @property
    def signal(self) -> Signal:
        """The most severe signal."""
        return self.findings[0].signal

    @property
    def reasons(self) -> tuple[str, ...]:
        """Texts of every finding that signals something, worst first."""
        return tuple(finding.text for finding in self.findings if finding.signal is not Signal.NONE)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Watched:
    """How one quantity is named, printed and remedied."""

    quantity: str
    words: str
    attribute: str
    unit: str
    decimals: int
    remedy: str
    less_is_better: bool = False


_WATCHED = (
    _Watched(
        quantity="slope",
        words="slope",
        attribute="slope_pct",
        unit="%",
        decimals=1,
        remedy="Clean the membrane and calibrate with fresh buffers; replace the electrode if it stays",
    ),
    _Watched(
        quantity="zero",
        words="zero",
        attribute="zero_mv",
        unit="mV",
        decimals=1,
        remedy="Look at the reference: electrolyte level, junction, cable; then calibrate",
    ),
    _Watched(
        quantity="response-time",
        words="response time",
        attribute="response_time_s",
        unit="s",
        decimals=0,
        remedy="Clean membrane and junction; let the electrode soak before it is used",
        less_is_better=True,
    ),
    _Watched(
        quantity="noise",
        words="noise at rest",
        attribute="noise_mv",
        unit="mV",
        decimals=2,
        remedy="Look at cable, plug and earthing, then for air at the membrane or a dry junction",
        less_is_better=True,
    ),
    _Watched(
        quantity="junction",
        words="bias in water of low ionic strength",
        attribute="junction_ph",
        unit="pH",
        decimals=2,
        remedy="Renew the electrolyte, check that it flows out, clean the junction; repeat the check",
    ),
)


def assess(
    history: Sequence[HistoryEntry],
    limits: ConditionLimits = DEFAULT_CONDITION_LIMITS,
    *,
    being_worked_on: bool = False,
) -> ElectrodeCondition:
    """Judge an electrode by its history.

    Parameters
    ----------
    history : sequence of HistoryEntry
        Days that never decrease; the latest value of each quantity is judged, earlier ones give its
        trend.
    limits : ConditionLimits
        Spans and notice.
    being_worked_on : bool
        True while someone cleans, checks or calibrates: values are then no measurement of the sample.

    Returns
    -------
    ElectrodeCondition
        One finding for each quantity, worst first, and ``work`` while someone works on it.

    Raises
    ------
    DomainError
        Days that go back.

    Examples
    --------
    >>> condition = assess([HistoryEntry(day=0.0, slope_pct=99.1), HistoryEntry(day=90.0, slope_pct=91.8)])
    >>> condition.signal.value
    'maintenance-required'
    >>> condition.reasons[0]
    'slope 91.8 % is outside 93.0 to 103.0 %. Clean the membrane and calibrate with fresh buffers; \
replace the electrode if it stays'
    """
    days = [entry.day for entry in history]
    if any(later < earlier for earlier, later in pairwise(days)):
        raise DomainError(
            "days go back", subject="history", hint="Give the entries in order of time, oldest first"
        )
    findings = [_judge(watched, history, limits) for watched in _WATCHED]
    if being_worked_on:
        findings.append(
            Finding(
                quantity="work",
                signal=Signal.FUNCTION_CHECK,
                text="Someone is working on the electrode: readings are not of the sample",
            )
        )
    findings.sort(key=lambda finding: -SEVERITY.index(finding.signal))
    return ElectrodeCondition(findings=tuple(findings))


def _judge(watched: _Watched, history: Sequence[HistoryEntry], limits: ConditionLimits) -> Finding:
    seen = [
        (entry.day, float(value))
        for entry in history
        if (value := getattr(entry, watched.attribute)) is not None
    ]
    if not seen:
        return Finding(
            quantity=watched.quantity, signal=Signal.NONE, text=f"{watched.words} not measured yet"
        )
    if watched.attribute == "slope_pct":
        # A meter whose mV rise with pH has a negative slope; its size is what ages.
        sign = math.copysign(1.0, seen[-1][1])
        seen = [(day, sign * value) for day, value in seen]
    spans: Spans = getattr(limits, watched.attribute)
    value = seen[-1][1]
    for signal, span in (
        (Signal.FAILURE, spans.usable),
        (Signal.OUT_OF_SPECIFICATION, spans.specified),
        (Signal.MAINTENANCE_REQUIRED, spans.attention),
    ):
        if not span[0] <= value <= span[1]:
            text = f"{watched.words} {_shown(watched, value)} is outside {_span(watched, span)}"
            return Finding(quantity=watched.quantity, signal=signal, text=f"{text}. {watched.remedy}")
    ahead = _trend(watched, seen, spans.specified, limits.notice_d)
    if ahead:
        return Finding(
            quantity=watched.quantity,
            signal=Signal.MAINTENANCE_REQUIRED,
            text=f"{watched.words} {_shown(watched, value)} {ahead}. {watched.remedy}",
        )
    text = f"{watched.words} {_shown(watched, value)} is inside {_span(watched, spans.attention)}"
    return Finding(quantity=watched.quantity, signal=Signal.NONE, text=text)


def _trend(
    watched: _Watched, seen: list[tuple[float, float]], span: tuple[float, float], notice_d: float
) -> str:
    """Say when the value will leave the span, if a trend that counts takes it there in time."""
    days = np.array([day for day, _ in seen])
    values = np.array([value for _, value in seen])
    if len(seen) < TREND_ENTRIES or days[-1] <= days[0]:
        return ""
    from_last = days - days[-1]
    fit = fit_linear(np.stack([np.ones_like(days), from_last], axis=1), values, np.ones_like(days))
    now, per_d = fit.coefficients.tolist()
    standard_error = fit.scatter_factor * math.sqrt(fit.covariance[1, 1])
    improving = watched.less_is_better and per_d < 0.0
    if improving or per_d == 0.0 or abs(per_d) < TREND_SIGNIFICANCE * standard_error:
        return ""
    limit = span[1] if per_d > 0.0 else span[0]
    left_d = max(0.0, (limit - now) / per_d)
    if left_d > notice_d:
        return ""
    return (
        f"moves by {per_d:+.3g} {watched.unit} per day and reaches {_shown(watched, limit)} "
        f"in about {left_d:.0f} d"
    )


def _shown(watched: _Watched, value: float) -> str:
    return f"{value:.{watched.decimals}f} {watched.unit}"


def _span(watched: _Watched, span: tuple[float, float]) -> str:
    return f"{span[0]:.{watched.decimals}f} to {_shown(watched, span[1])}"
