"""What there is to describe: the kinds of record, and the MQTT topics with what they carry."""

from dataclasses import dataclass
from typing import Literal

from quietcell.core.alarms.body import AlarmBody
from quietcell.core.bench_records import (
    AttendanceBody,
    CalibrationBody,
    CheckBody,
    ElectrodeBody,
    FlowTestBody,
    ReferenceMeasurementBody,
    ReferenceRequestBody,
)
from quietcell.core.ingress.episode import EpisodeBody
from quietcell.core.records import (
    Body,
    ConfigurationBody,
    DeterminationBody,
    DoubtBody,
    GapBody,
    SegmentBody,
)
from quietcell.ledger.digest import ReadingsDigestBody
from quietcell.ledger.storage import ReadingsDroppedBody, StorageBody
from quietcell.service.checkpoint import CheckpointBody
from quietcell.service.command_records import NoteBody, OperatorVerdictBody, RequestBody
from quietcell.service.records import CellFaultBody, ClockStepBody, DriverFaultBody, ParkedBody, RunBody
from quietcell.service.retention import ReadingsExpiredBody

BODIES: tuple[type[Body], ...] = (
    DeterminationBody,
    EpisodeBody,
    DoubtBody,
    AlarmBody,
    RequestBody,
    NoteBody,
    OperatorVerdictBody,
    AttendanceBody,
    ReferenceRequestBody,
    ReferenceMeasurementBody,
    CalibrationBody,
    CheckBody,
    FlowTestBody,
    ElectrodeBody,
    ConfigurationBody,
    SegmentBody,
    GapBody,
    DriverFaultBody,
    CellFaultBody,
    ClockStepBody,
    ParkedBody,
    CheckpointBody,
    ReadingsDigestBody,
    ReadingsDroppedBody,
    ReadingsExpiredBody,
    StorageBody,
    RunBody,
)
"""Every kind a ledger may hold; a test finds one that is missing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """One kind of MQTT topic."""

    name: str
    """Of its channel."""
    address: str
    """With its parameters in braces."""
    carries: str
    """A kind of record, or one of the payloads of `payloads`."""
    summary: str
    qos: Literal[0, 1] = 1
    retain: bool = False
    direction: Literal["send", "receive"] = "send"
    """As the daemon sees it."""
    answers: tuple[str, ...] = ()
    """What may come back to the response topic, as `carries` names it."""


_CELL = "quietcell/{site}/{cell}"
TOPICS: tuple[Topic, ...] = (
    Topic(
        name="result",
        address=f"{_CELL}/result",
        carries="determination",
        summary="A determination that was accepted or qualified: what to report.",
    ),
    Topic(
        name="determination",
        address=f"{_CELL}/determination",
        carries="determination",
        summary="Every determination, the refused ones with their reasons.",
    ),
    Topic(
        name="episode",
        address=f"{_CELL}/episode",
        carries="episode",
        summary="A suspected cause opens, is updated or closes.",
    ),
    Topic(
        name="doubt",
        address=f"{_CELL}/doubt",
        carries="doubt",
        summary="Earlier results are qualified by what was found later.",
    ),
    Topic(
        name="alarm",
        address=f"{_CELL}/alarm/{{alarm}}",
        carries="alarm",
        summary="An alarm, retained while people should see it; an empty message clears it.",
        retain=True,
    ),
    Topic(
        name="indication",
        address=f"{_CELL}/indication",
        carries="indication",
        summary="The live reading, every few seconds (`live_every_s`); nobody has accepted it.",
        qos=0,
    ),
    Topic(
        name="state",
        address=f"{_CELL}/state",
        carries="state",
        summary="What the cell waits for, whenever that changes, and once a minute.",
        qos=0,
    ),
    Topic(
        name="condition",
        address=f"{_CELL}/condition",
        carries="condition",
        summary="The NAMUR NE 107 signal of a cell, or of the daemon itself, whenever it changes, and once "
        "a minute.",
        qos=0,
    ),
    Topic(
        name="daemon",
        address="quietcell/{site}/daemon",
        carries="daemon",
        summary="Whether the daemon is connected; the broker says offline for one that is lost.",
        retain=True,
    ),
    Topic(
        name="head",
        address="quietcell/{site}/head",
        carries="head",
        summary="The last record of the ledger: whoever lacks numbers up to it asks for them.",
        retain=True,
    ),
    Topic(
        name="request",
        address=f"{_CELL}/request",
        carries="request-message",
        summary="Asks for a determination now. Answers go to the response topic: the record of the request, "
        'then that of its determination; at once {"ok": false, "error": TEXT} where it cannot be done, or '
        '{"ok": true, "repeated": true, ...} with the state of a request that was made before.',
        direction="receive",
        answers=("request", "determination", "repeated-answer", "error-answer"),
    ),
    Topic(
        name="alarm-request",
        address=f"{_CELL}/alarm-request",
        carries="alarm-request-message",
        summary="Acts on an alarm of the cell, or on its sanitisation; answered at once, with "
        '{"ok": true, ...} or {"ok": false, "error": TEXT}.',
        direction="receive",
        answers=("alarm-answer", "error-answer"),
    ),
    Topic(
        name="replay",
        address="quietcell/{site}/replay",
        carries="replay-message",
        summary="Asks for stored records once more, on their topics; answered when they were sent.",
        direction="receive",
        answers=("replay-answer", "error-answer"),
    ),
)
