"""What people and other programs say to a running daemon, as the journal keeps it.

Ids are ``daemon.run.ordinal``. A record that the engine was fed carries `segment` and `ms`, so that
recovery, export and recompute feed it again.
"""

from dataclasses import dataclass
from typing import ClassVar, Literal

from quietcell.core.records import ABSENT, Absent, Body, GrabSample, decimals

Via = Literal["socket", "mqtt", "page"]
"""How it came."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RequestBody(Body):
    """Someone asks for a determination; the determination names this record's id."""

    kind: ClassVar[str] = "request"

    segment: int
    ms: int = decimals(0, "ms")
    """Engine time since the segment began."""
    sample_id: str | None
    operator: str | None
    from_buffer: bool
    """The electrode was in a buffer before."""
    via: Via
    grab: GrabSample | Absent = ABSENT
    """How the sample was brought to the bench."""
    attendance: str | Absent = ABSENT
    """Id of the asker's attendance, where they work at the cell."""
    reference: str | Absent = ABSENT
    """The asker's own id for the request; the same again is a repeat, not another request."""
    response_topic: str | Absent = ABSENT
    """MQTT topic that receives this record and the determination."""
    correlation_data: str | Absent = ABSENT
    """What the asker wants back with the answers, base64."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorVerdictBody(Body):
    """A person confirms or rejects an episode; a rejected one closes."""

    kind: ClassVar[str] = "operator-verdict"

    segment: int
    ms: int = decimals(0, "ms")
    """Engine time since the segment began."""
    episode: str
    """Id of the record that opened the episode."""
    verdict: Literal["confirm", "reject"]
    why: str | None
    operator: str | None
    via: Via


NoteWork = Literal["electrolyte-refilled", "cleaned", "stored", "tubing-changed"]
"""What people do to keep a cell at work; `stored`: its electrode was put away wet, and taken out again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteBody(Body):
    """What someone says about a cell, or has done there."""

    kind: ClassVar[str] = "note"

    text: str
    operator: str | None
    via: Via
    work: NoteWork | Absent = ABSENT
    electrode: str | Absent = ABSENT
    """Name of the electrode it was done to; it goes with it to other cells."""
