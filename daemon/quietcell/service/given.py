"""Engine input that people gave, from its journal records back to what the engine was fed."""

import json
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from urllib.parse import quote, unquote

import numpy as np

from quietcell.core.inputs import (
    Attendance,
    EngineInput,
    EpisodeVerdict,
    FlowTested,
    ReferenceRequest,
    Request,
)
from quietcell.core.readings import ReadingBlock
from quietcell.core.recording import GIVEN
from quietcell.core.records import GrabSample, Json
from quietcell.errors import RecordingError

Given = Request | ReferenceRequest | Attendance | EpisodeVerdict | FlowTested


def _request(body: Mapping[str, Json]) -> Given:
    grab = body.get("grab")
    return Request(
        ms=body["ms"],
        id=body["id"],
        sample_id=body["sample_id"],
        operator=body["operator"],
        from_buffer=body["from_buffer"],
        grab=None if grab is None else GrabSample(**grab),
        attendance=body.get("attendance"),
    )


def _reference_request(body: Mapping[str, Json]) -> Given:
    names = ("ms", "id", "purpose", "solution", "operator")
    return ReferenceRequest(**{name: body[name] for name in names})


def _attendance(body: Mapping[str, Json]) -> Given:
    return Attendance(**{name: body[name] for name in ("ms", "id", "state", "work")})


def _episode_verdict(body: Mapping[str, Json]) -> Given:
    return EpisodeVerdict(ms=body["ms"], id=body["id"], episode=body["episode"], verdict=body["verdict"])


def _flow_test(body: Mapping[str, Json]) -> Given:
    return FlowTested(ms=body["ms"], id=body["id"], verdict=body["verdict"])


INPUTS: Mapping[str, Callable[[Mapping[str, Json]], Given]] = {
    "request": _request,
    "reference-request": _reference_request,
    "attendance": _attendance,
    "operator-verdict": _episode_verdict,
    "flow-test": _flow_test,
}
"""What the engine was fed, by kind of record."""
_FIELDS = {
    "request": ("id", "sample_id", "operator", "from_buffer", "grab", "attendance"),
    "reference-request": ("id", "purpose", "solution", "operator"),
    "attendance": ("id", "state", "work"),
    "operator-verdict": ("id", "episode", "verdict"),
    "flow-test": ("id", "verdict"),
}
"""Fields beside `ms` that the engine sees, by kind of record."""


def given_input(body: Mapping[str, Json]) -> Given:
    """Return what the engine was fed because of a record.

    Parameters
    ----------
    body : Mapping
        JSON body of a kind in `INPUTS`.
    """
    return INPUTS[body["record"]](body)


def given_labels(body: Mapping[str, Json]) -> tuple[str, str]:
    """Return the labels of the row that stands for a record in a recording.

    The second holds the fields the engine sees as percent-encoded JSON.
    """
    seen = {name: body.get(name) for name in _FIELDS[body["record"]]}
    return GIVEN + body["record"], quote(json.dumps(seen, ensure_ascii=False, sort_keys=True), safe="")


def labelled_input(labels: tuple[str, ...], ms: int) -> Given:
    """Return the input that such labels stand for.

    Raises
    ------
    RecordingError
        If they stand for none.
    """
    kind = labels[0].removeprefix(GIVEN)
    try:
        fields = json.loads(unquote(labels[1], errors="strict"))
        kept = {"grab": dict, "from_buffer": bool}
        if all(isinstance(fields[n], kept.get(n, str)) or fields[n] is None for n in _FIELDS[kind]):
            return INPUTS[kind]({**fields, "ms": ms})
    except (KeyError, ValueError, TypeError, RecursionError):
        pass
    raise RecordingError(f"unknown mark {' '.join(labels)!r}", subject="flags")


def placed(block: ReadingBlock, waiting: deque[Given]) -> Iterator[EngineInput]:
    """Yield a block of readings with the waiting inputs in their places: at equal times they come first."""
    while waiting and waiting[0].ms <= block.ms[-1]:
        rows = int(np.searchsorted(block.ms, waiting[0].ms, side="left"))
        if rows:
            yield block[:rows]
        yield waiting.popleft()
        block = block[rows:]
    if len(block):
        yield block
