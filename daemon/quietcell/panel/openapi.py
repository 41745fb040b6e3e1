"""The OpenAPI document of the HTTP interface."""

from typing import Any

from quietcell import __version__

COMMANDS = ("alarm-acknowledge", "alarm-shelve", "alarm-unshelve", "sanitisation", "request", "note")
"""What the page may ask the daemon to do."""
_ERROR = {
    "content": {
        "application/json": {
            "schema": {
                "type": "object",
                "required": ["error"],
                "properties": {"error": {"type": "string"}},
            }
        }
    }
}
_REFUSALS = {
    "401": "The token is wanted.",
    "403": "Comes from another site.",
    "421": "Not offered under that name.",
    "503": "The daemon does not answer, or too many are connected.",
}
_NUMBER = {"type": "integer", "minimum": 0, "maximum": 2**53}
_NAME = {"type": "string", "pattern": "^[a-z0-9-]{1,64}$"}


def openapi() -> dict[str, Any]:
    """Return the document (OpenAPI 3.1)."""
    span = [_query("from", _NUMBER, required=True), _query("to", _NUMBER, required=True)]
    listing = [_query("cell", _NAME), _query("kind", _NAME), _query("before", _NUMBER)]
    name = {"type": "string", "pattern": "^[a-z0-9.-]{1,100}$"}
    record = {"name": "record", "in": "path", "required": True, "schema": name}
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "quietcell page",
            "version": __version__,
            "description": "Reading is open on the loopback; what changes something, and any other address, "
            "needs the token as a bearer. /api/events sends what /api/live answers, once a second, as "
            "server-sent events without end.",
        },
        "components": {"securitySchemes": {"token": {"type": "http", "scheme": "bearer"}}},
        "security": [{}, {"token": []}],
        "paths": {
            "/": {"get": _get("The page", "text/html")},
            "/healthz": {
                "get": _get("Whether the daemon answers", "text/plain", more={"503": "It does not."})
            },
            "/openapi.json": {"get": _get("This document")},
            "/metrics": {"get": _get("The live state as Prometheus text", "text/plain")},
            "/api/live": {"get": _get("What every cell shows, and the alarms")},
            "/api/trend": {
                "get": _get(
                    "Traces of a span with what happened on it",
                    parameters=[
                        _query("cell", _NAME, required=True),
                        *span,
                        _query("attended", {"const": "1"}),
                    ],
                    more={"400": "A parameter is wrong."},
                )
            },
            "/api/records": {
                "get": _get(
                    "Stored records, the newest first",
                    parameters=[*listing, _query("limit", {"type": "integer", "minimum": 1, "maximum": 200})],
                    more={"400": "A parameter is wrong."},
                )
            },
            "/api/records/{record}": {
                "get": _get(
                    "One stored record, by its number or the id of its body",
                    parameters=[record],
                    more={"404": "There is none."},
                )
            },
            "/api/commands/{name}": {"post": _command()},
        },
    }


def _query(name: str, schema: dict[str, Any], *, required: bool = False) -> dict[str, Any]:
    return {"name": name, "in": "query", "required": required, "schema": schema}


def _responses(more: dict[str, str]) -> dict[str, Any]:
    return {code: {"description": text, **_ERROR} for code, text in {**_REFUSALS, **more}.items()}


def _get(
    text: str,
    media: str = "application/json",
    *,
    parameters: list[dict[str, Any]] | None = None,
    more: dict[str, str] | None = None,
) -> dict[str, Any]:
    content = {media: {"schema": {"type": "object" if media == "application/json" else "string"}}}
    responses = _responses(more or {})
    if media == "text/plain" and more:
        responses["503"] = {"description": more["503"], "content": content}
    return {
        "summary": text,
        "parameters": parameters or [],
        "responses": {"200": {"description": text, "content": content}, **responses},
    }


def _command() -> dict[str, Any]:
    told = {"400": "No JSON object.", "404": "No such command.", "409": "Refused, with why."}
    schema = {
        "type": "object",
        "properties": {
            "cell": {"type": "string"},
            "alarm": {"type": "string"},
            "operator": {"type": "string"},
            "reason": {"type": "string"},
            "for_s": {"type": "number"},
            "text": {"type": "string"},
            "sample_id": {"type": "string"},
        },
    }
    name = {"name": "name", "in": "path", "required": True, "schema": {"enum": list(COMMANDS)}}
    return {
        "summary": "Let the daemon do something; needs the token everywhere",
        "security": [{"token": []}],
        "parameters": [name],
        "requestBody": {"required": True, "content": {"application/json": {"schema": schema}}},
        "responses": {
            "200": {
                "description": "Done.",
                "content": {"application/json": {"schema": {"type": "object"}}},
            },
            **_responses({**told, "413": "The body is too large, or of unknown length."}),
        },
    }
