"""JSON Schemas of whole payloads: stored records in their envelope, live values, what others send."""

from dataclasses import fields

from quietcell.core.alarms.states import AlarmState
from quietcell.core.electrode.condition import Signal
from quietcell.core.indication import Indication
from quietcell.core.records import Body, DeterminationBody
from quietcell.service.alarms import ShelveArguments
from quietcell.service.interface.catalogue import BODIES
from quietcell.service.interface.dataclass_schema import Schema, schema_of
from quietcell.service.mqtt_requests import ALARM_ACTS, LONGEST_SPAN
from quietcell.service.requests import RequestArguments

DIALECT = "https://json-schema.org/draft/2020-12/schema"
_TIME: Schema = {"type": "string", "format": "date-time", "description": "RFC 3339, UTC, with milliseconds."}
_HASH: Schema = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
_LEDGER: Schema = {"type": "string", "format": "uuid", "description": "Identity of the ledger."}
_SEQ: Schema = {
    "type": "integer",
    "minimum": 0,
    "description": "Number of the record, without gaps; with ledger the only key to drop repeats by.",
}


def record_schema(body: type[Body]) -> Schema:
    """Return the schema of a kind of record as it is stored, written to files and published."""
    inner = schema_of(body)
    inner["properties"] = {"record": {"const": body.kind}, **inner["properties"]}
    inner["required"] = ["record", *inner["required"]]
    envelope: Schema = {
        "ledger": _LEDGER,
        "seq": {**_SEQ, "minimum": 1},
        "recorded_at": _TIME,
        "time_quality": {"enum": ["synchronised", "not-synchronised", "not-known"]},
        "software": {"type": "string"},
        "engine_version": {"type": "integer"},
        "schema": {"const": body.schema, "description": "Version of this kind of record."},
        "previous": {**_HASH, "description": "SHA-256 of the record before; 64 zeros in the first."},
        "body": inner,
    }
    return {
        "title": body.kind,
        "description": inner["description"],
        "type": "object",
        "properties": envelope,
        "required": list(envelope),
        "additionalProperties": False,
    }


def _object(title: str, description: str, **properties: Schema) -> Schema:
    return {
        "title": title,
        "description": description,
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _live() -> dict[str, Schema]:
    whole = schema_of(Indication)["properties"]
    state = {name: whole[name] for name in ("phase", "waits_for")}
    names = [f.name for f in fields(Indication) if f.name not in (*state, "hindrance")]
    tail = {
        "ledger": _LEDGER,
        "seq": {
            "type": "integer",
            "minimum": 0,
            "description": "Number of the ledger's last record by then.",
        },
    }
    return {
        "indication": _object(
            "indication", "A live reading nobody has accepted.", **{n: whole[n] for n in names}, **tail
        ),
        "state": _object("state", "What a cell waits for.", **state, **tail),
        "condition": _object(
            "condition",
            "The NAMUR NE 107 signal of a cell or of the daemon.",
            condition={"enum": [signal.value for signal in Signal]},
            **tail,
        ),
        "daemon": _object(
            "daemon", "Whether the daemon is connected.", state={"enum": ["online", "offline"]}, **tail
        ),
        "head": _object("head", "The last record of the ledger.", **tail, hash=_HASH),
    }


def _asked() -> dict[str, Schema]:
    model = RequestArguments.model_json_schema()["properties"]
    request = {name: model[name] for name in ("sample_id", "operator", "reference")}
    topic: Schema = {
        "type": "string",
        "description": "Where answers go, where one side has no MQTT 5; not below quietcell/{site}/.",
    }
    span: Schema = {"type": "integer", "minimum": 1}
    ask = _object("request-message", "Asks for a determination; all may be left out.", **request)
    again = _object(
        "replay-message",
        f"Asks for up to {LONGEST_SPAN} records from one number to another.",
        from_seq=span,
        to_seq=span,
    )
    acting = ShelveArguments.model_json_schema()["properties"]
    act = _object(
        "alarm-request-message",
        "Acts on an alarm; sanitisation names no alarm, and ends where for_s is left out.",
        command={"enum": list(ALARM_ACTS)},
        alarm=acting["alarm"],
        operator={**acting["reason"], "title": "Operator", "description": "Who acts."},
        reason=acting["reason"],
        for_s={
            **acting["for_s"],
            "description": "For how long: a shelf for a week at most, a sanitisation for a day.",
            "x-unit": "s",
        },
    )
    asked: tuple[tuple[Schema, list[str]], ...] = (
        (ask, []),
        (again, ["from_seq", "to_seq"]),
        (act, ["command", "operator", "reason"]),
    )
    for message, required in asked:
        message["properties"]["response_topic"] = topic
        message["required"] = required
    return {"request-message": ask, "replay-message": again, "alarm-request-message": act}


def _answers() -> dict[str, Schema]:
    text: Schema = {"type": "string"}
    done: Schema = {"const": True}
    return {
        "repeated-answer": _object(
            "repeated-answer",
            "What became of a request that was made before with the same reference.",
            ok=done,
            request={**text, "description": "Id of its record."},
            seq=_SEQ,
            repeated={"const": True},
            state={"enum": ["open", "ended"]},
            determination={
                "description": "The record of its determination, null while open.",
                "anyOf": [record_schema(DeterminationBody), {"type": "null"}],
            },
        ),
        "alarm-answer": _object(
            "alarm-answer",
            "What was done to an alarm.",
            ok=done,
            alarm=text,
            state={"enum": [state.value for state in AlarmState]},
            record={**text, "description": "Id of the record of it."},
            seq=_SEQ,
        ),
        "replay-answer": _object(
            "replay-answer",
            "The records asked for were sent, as far as they are due yet.",
            ok=done,
            from_seq=_SEQ,
            to_seq=_SEQ,
            sent={"type": "integer", "minimum": 0, "description": "How many."},
        ),
        "error-answer": _object(
            "error-answer",
            "What was asked cannot be done; nothing was changed.",
            ok={"const": False},
            error={**text, "description": "What is wrong and what to do."},
        ),
    }


def all_schemas() -> dict[str, Schema]:
    """Return every payload's schema by name."""
    return {**{body.kind: record_schema(body) for body in BODIES}, **_live(), **_asked(), **_answers()}
