"""The HTTP interface: page, live state, events, trends, records, commands, metrics."""

import asyncio
import json
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.resources import files
from typing import Any

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from quietcell.core.times import DAY_MS
from quietcell.errors import QuietcellError
from quietcell.panel.access import LARGEST_BODY, Access, Guard
from quietcell.panel.metrics import metrics_text
from quietcell.panel.openapi import COMMANDS, openapi
from quietcell.panel.source import Source
from quietcell.panel.streams import Streams

_NAME = re.compile(r"[a-z0-9-]{1,64}")
_RECORD = re.compile(r"[a-z0-9.-]{1,100}")
_FILES = {
    "icon.svg": "image/svg+xml",
    "panel.css": "text/css",
    "page.js": "text/javascript",
    "live.js": "text/javascript",
    "history.js": "text/javascript",
    "chart.js": "text/javascript",
}
LONGEST_SPAN_MS = 400 * DAY_MS
_LATEST_MS = 253_402_300_799_000  # the year 9999
MOST_RECORDS = 200


def panel_app(source: Source, access: Access) -> Starlette:
    """Return the application that serves one ledger.

    Parameters
    ----------
    source : Source
        What it shows.
    access : Access
        Who may do what.
    """
    pages = _Pages(source)
    return Starlette(
        routes=[
            Route("/", pages.page),
            Route("/static/{name}", pages.static),
            Route("/api/live", pages.live),
            Route("/api/events", pages.events),
            Route("/api/trend", pages.trend),
            Route("/api/records", pages.records),
            Route("/api/records/{record}", pages.record),
            Route("/api/commands/{name}", pages.command, methods=["POST"]),
            Route("/metrics", pages.metrics),
            Route("/healthz", pages.health),
            Route("/openapi.json", pages.document),
        ],
        middleware=[Middleware(Guard, access=access)],
        exception_handlers={QuietcellError: _no_daemon},
        lifespan=pages.lifespan,
    )


class _Pages:
    """Answers each route."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._streams = Streams(source)

    async def page(self, _: Request) -> Response:
        """Serve the page itself."""
        return _static("index.html", "text/html")

    async def static(self, request: Request) -> Response:
        """Serve a file of the page."""
        name = request.path_params["name"]
        return _static(name, _FILES[name]) if name in _FILES else _error(404, "no such file")

    async def live(self, _: Request) -> Response:
        """Answer with the live state."""
        told = await self._streams.look()
        return JSONResponse(told) if told.get("ok") else _error(503, str(told.get("error")))

    async def events(self, _: Request) -> Response:
        """Open an event stream."""
        if self._streams.full:
            return _error(503, "as many event streams as allowed are open")
        return StreamingResponse(self._streams.listen(), media_type="text/event-stream")

    async def trend(self, request: Request) -> Response:
        """Answer with traces and marks of a span."""
        query = request.query_params
        cell = query.get("cell", "")
        first, last = _number(query.get("from", "")), _number(query.get("to", ""))
        if not _NAME.fullmatch(cell) or first is None or last is None:
            return _error(400, "wanted: cell, and from and to as milliseconds since 1970 UTC")
        if not 0 <= last - first <= LONGEST_SPAN_MS or last > _LATEST_MS:
            return _error(400, "to must not lie before from, and at most 400 days behind it")
        return JSONResponse(
            await self._source.trend(cell, first, last, with_attended=query.get("attended") == "1")
        )

    async def records(self, request: Request) -> Response:
        """Answer with stored records."""
        query = request.query_params
        cell, kind = query.get("cell"), query.get("kind")
        before, limit = _number(query.get("before", str(2**53))), _number(query.get("limit", "50"))
        if any(name is not None and not _NAME.fullmatch(name) for name in (cell, kind)):
            return _error(400, "cell and kind are names made of a-z, 0-9 and -")
        if before is None or limit is None or not 1 <= limit <= MOST_RECORDS:
            return _error(400, f"before and limit are whole numbers, limit at most {MOST_RECORDS}")
        return JSONResponse(
            {"records": await self._source.records(cell=cell, kind=kind, before=before, limit=limit)}
        )

    async def record(self, request: Request) -> Response:
        """Answer with one stored record, by its number or its id."""
        name = request.path_params["record"]
        found = await self._source.record(name) if _RECORD.fullmatch(name) else None
        return _error(404, "no such record") if found is None else JSONResponse(found)

    async def command(self, request: Request) -> Response:
        """Let the daemon do something."""
        name = request.path_params["name"]
        if name not in COMMANDS:
            return _error(404, "no such command")
        body = await request.body()
        try:
            asked = json.loads(body) if len(body) <= LARGEST_BODY else None
        except (ValueError, RecursionError):
            asked = None
        if not isinstance(asked, dict):
            return _error(400, "the body must be one JSON object")
        answer = await self._source.ask(name, asked)
        return JSONResponse(answer) if answer.pop("ok") else _error(409, str(answer["error"]))

    async def metrics(self, _: Request) -> Response:
        """Answer with Prometheus text."""
        return PlainTextResponse(
            metrics_text(await self._streams.look()), media_type="text/plain; version=0.0.4; charset=utf-8"
        )

    async def health(self, _: Request) -> Response:
        """Tell whether the daemon answers."""
        told = await self._streams.look()
        return PlainTextResponse("ok\n" if told.get("ok") else "no daemon\n", 200 if told.get("ok") else 503)

    async def document(self, _: Request) -> Response:
        """Answer with the OpenAPI document."""
        return JSONResponse(openapi())

    @asynccontextmanager
    async def lifespan(self, _: Starlette) -> AsyncIterator[None]:
        """Release everything at the end."""
        warming = asyncio.create_task(self._source.warm(), name="panel warming")
        yield
        warming.cancel()
        await asyncio.wait({warming})
        await self._streams.close()
        self._source.close()


async def _no_daemon(_: Request, error: Any) -> Response:
    return _error(503, str(error))


def _error(status: int, text: str) -> JSONResponse:
    return JSONResponse({"error": text}, status)


def _number(text: str) -> int | None:
    return int(text) if re.fullmatch(r"[0-9]{1,16}", text) and int(text) <= 2**53 else None


def _static(name: str, media_type: str) -> Response:
    content = files("quietcell.panel").joinpath("static", name).read_bytes()
    return Response(content, media_type=media_type)
