"""The control socket: JSON lines over a Unix socket in the ledger's folder.

File rights decide who may ask. One request a line, ``{"command": NAME, ...}``; one answer a line,
``{"ok": true, ...}`` or ``{"ok": false, "error": TEXT}``. A hostile line gets an error and changes
nothing.
"""

import asyncio
import json
import os
import socket
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Self

import structlog

from quietcell.core.records import Json
from quietcell.errors import ArgumentError, ConfigError, ContractError, LedgerError, QuietcellError
from quietcell.service.command_records import Via
from quietcell.service.commands import Commands

NAME = "control.sock"
PAGE_NAME = "page.sock"
"""Where the local page asks; what comes there is recorded as done on the page."""
LONGEST_LINE = 64 * 1024
LONGEST_ANSWER = 256 * 1024 * 1024
"""Of one's own daemon: years of a thing's records."""
MOST_CLIENTS = 32
"""More at once are turned away, so that nobody can fill the memory with half lines."""
_LONGEST_ADDRESS = 107


@contextmanager
def _short_path(path: Path) -> Iterator[Path]:
    """Give a path to the same socket that fits its address, which holds 107 bytes."""
    if len(os.fsencode(path)) <= _LONGEST_ADDRESS:
        yield path
        return
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield Path(f"/proc/self/fd/{folder}/{path.name}")
    finally:
        os.close(folder)


class ControlSocket:
    """Answers commands until it is closed.

    Parameters
    ----------
    folder : Path
        Of the ledger.
    commands : Commands
        Functions by name; each takes the request and returns the answer.
    name : str
        Of the socket's file.
    via : str
        What records say of the way an act came.
    """

    def __init__(self, folder: Path, commands: Commands, *, name: str = NAME, via: Via = "socket") -> None:
        self._path = folder / name
        self._via = via
        self._commands = commands
        self._server: asyncio.Server | None = None
        self._clients: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    async def __aenter__(self) -> Self:
        """Listen; a socket left behind by a killed run is replaced (the ledger's lock says it is dead).

        Raises
        ------
        LedgerError
            If there can be none.
        """
        listener = socket.socket(socket.AF_UNIX)
        try:
            self._path.unlink(missing_ok=True)
            with _short_path(self._path) as path:
                listener.bind(str(path))
                # Nobody connects before it listens. By a umask, files that others write meanwhile would
                # become writable for the group.
                path.chmod(0o660)
            self._server = await asyncio.start_unix_server(self._serve, sock=listener, limit=LONGEST_LINE)
        except OSError as error:
            listener.close()
            raise LedgerError(
                f"no socket can be made: {error.strerror}",
                subject=str(self._path),
                hint="Look at the folder's rights and the room on the disk (`df`, `df -i`)",
            ) from error
        except BaseException:
            listener.close()
            raise
        return self

    async def __aexit__(self, *_: object) -> None:
        """Close and remove the socket."""
        if self._server is not None:
            self._server.close()
            for task, writer in list(self._clients.items()):
                task.cancel()  # it may be waiting for what will not come any more
                writer.close()
            await self._server.wait_closed()
        self._path.unlink(missing_ok=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        if task is None:
            raise ContractError("served outside a task")
        if len(self._clients) >= MOST_CLIENTS:
            writer.close()
            return
        self._clients[task] = writer
        try:
            while line := await reader.readline():
                answer = await self._answer(line)
                writer.write(json.dumps(answer).encode() + b"\n")
                await writer.drain()
        except (ConnectionError, ValueError, asyncio.CancelledError):
            pass  # gone, a line beyond the limit, or the end: there is nobody to answer any more
        finally:
            del self._clients[task]
            writer.close()

    async def _answer(self, line: bytes) -> dict[str, Json]:
        try:
            request = json.loads(line)
        except (ValueError, RecursionError):
            return {"ok": False, "error": "not a line of JSON"}
        name = request.get("command") if isinstance(request, dict) else None
        if not isinstance(name, str) or name not in self._commands:
            return {"ok": False, "error": f"no such command; known: {', '.join(sorted(self._commands))}"}
        try:
            return {"ok": True, **await self._commands[name]({**request, "via": self._via})}
        except ConfigError as error:
            return {"ok": False, "error": str(error), "faults": error.faults}
        except ArgumentError as error:
            return {"ok": False, "error": str(error), "usage": True}
        except QuietcellError as error:
            return {"ok": False, "error": str(error)}
        except Exception:  # noqa: BLE001 # whoever asks must not end the carrier
            structlog.get_logger().exception("command broke", command=name)
            return {"ok": False, "error": "the command broke by a mistake of the daemon; see its log"}


def taken(answer: dict[str, Json]) -> dict[str, Json]:
    """Return what an answer brings.

    Raises
    ------
    QuietcellError
        If it says why there is nothing; `ConfigError` or `ArgumentError` where that is for the
        configuration, or for what was asked with.
    """
    if answer.pop("ok"):
        return answer
    if "faults" in answer:
        raise ConfigError(answer["faults"])
    raise (ArgumentError if "usage" in answer else QuietcellError)(answer["error"])


async def ask(
    folder: Path, request: Mapping[str, Json], *, timeout_s: float = 5.0, name: str = NAME
) -> dict[str, Json]:
    """Send one request to the daemon that serves the ledger in `folder` and return its answer.

    Raises
    ------
    QuietcellError
        If no daemon answers.
    """
    subject = str(folder / name)
    try:
        async with asyncio.timeout(timeout_s):
            with _short_path(folder / name) as path:
                reader, writer = await asyncio.open_unix_connection(path, limit=LONGEST_ANSWER)
            try:
                writer.write(json.dumps(request).encode() + b"\n")
                answer: dict[str, Json] = json.loads(await reader.readline())
            finally:
                writer.close()
    except PermissionError as error:
        raise QuietcellError("not allowed", subject=subject, hint="Join the group that owns it") from error
    except TimeoutError as error:
        raise QuietcellError(
            f"no answer for {timeout_s:.0f} s",
            subject=subject,
            hint="It may still be at work on it: see `quietcell status`",
        ) from error
    except (OSError, ValueError) as error:
        raise QuietcellError(
            "no daemon answers", subject=subject, hint="Is `quietcell run` running with this ledger?"
        ) from error
    return answer
