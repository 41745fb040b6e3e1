"""The log: text for people on a terminal, JSON lines otherwise; on standard error."""

import atexit
import logging
import os
import queue
import sys
import threading
from contextlib import suppress
from typing import Literal, TextIO, cast

import structlog

from quietcell.errors import printable

MOST_WAITING = 10_000
"""Pieces of the log that wait to be written; more are lost."""
LAST_WORDS_S = 1.0
"""So long the end of the program waits for the log."""
_PRIORITIES = {"debug": 7, "info": 6, "warning": 4, "error": 3, "critical": 2}
"""Of syslog(3), by level; the journal takes them from ``<N>`` before a line, as sd-daemon(3) says."""


def hold_standard_streams() -> None:
    """Let the place of a standard stream that is closed be taken by nothing: others write there by number."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # gets the lowest number that is free
    if sys.stderr is None:
        sys.stderr = os.fdopen(2, "w", closefd=False)


def configure_logs(
    form: Literal["auto", "text", "json"], *, verbose: bool = False, file: TextIO | None = None
) -> None:
    """Set up logging for this process; `file` takes the place of standard error."""
    stream = file or sys.stderr
    on_terminal = stream.isatty()
    readable = form == "text" or (form == "auto" and on_terminal)
    renderer: structlog.typing.Processor = (
        structlog.dev.ConsoleRenderer(
            colors=on_terminal and not os.environ.get("NO_COLOR"),
            # The other formatters print local variables, and a secret may be among them.
            exception_formatter=structlog.dev.plain_traceback,
        )
        if readable
        else structlog.processors.JSONRenderer(ensure_ascii=False)
    )
    sink = _Forbearing(stream) if file is not None else _apart(stream)
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            _harmless,
            _prioritised(renderer) if _is_journal(stream) else renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.DEBUG if verbose else logging.INFO),
        logger_factory=lambda *_: structlog.PrintLogger(cast("TextIO", sink)),
        cache_logger_on_first_use=True,
    )
    logging.getLogger("mqtt").setLevel(logging.CRITICAL)  # we report lost connections ourselves, once


class _Forbearing:
    """A stream whose end has gone, such as a closed terminal or a full disk, ends nothing but the log."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> None:
        with suppress(OSError, ValueError):
            self._stream.write(text)

    def flush(self) -> None:
        with suppress(OSError, ValueError):
            self._stream.flush()


class _Apart:
    """Writes from a thread of its own: a terminal that was stopped, or a pipe nobody reads, holds up nobody.

    It writes to the descriptor, so that a write that hangs holds no lock of the stream at the end.
    """

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._waiting: queue.Queue[bytes | None] = queue.Queue(MOST_WAITING)
        self._thread = threading.Thread(target=self._write_on, name="log", daemon=True)
        self._thread.start()
        atexit.register(self._finish)

    def write(self, text: str) -> None:
        with suppress(queue.Full):
            self._waiting.put_nowait(text.encode(errors="backslashreplace"))

    def flush(self) -> None:
        """Nothing: it is written as soon as it can be."""

    def _write_on(self) -> None:
        while (content := self._waiting.get()) is not None:
            with suppress(OSError):
                while content:
                    content = content[os.write(self._descriptor, content) :]

    def _finish(self) -> None:
        with suppress(queue.Full):
            self._waiting.put_nowait(None)
            self._thread.join(LAST_WORDS_S)


def _apart(stream: TextIO) -> _Apart | _Forbearing:
    try:
        return _Apart(stream.fileno())
    except (OSError, ValueError):  # no file of the machine
        return _Forbearing(stream)


def _is_journal(stream: TextIO) -> bool:
    """Whether what is written goes to the journal of systemd, which names its device and inode."""
    try:
        there = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return os.environ.get("JOURNAL_STREAM") == f"{there.st_dev}:{there.st_ino}"


def _prioritised(renderer: structlog.typing.Processor) -> structlog.typing.Processor:
    """Let each line begin with the priority of its level."""

    def render(logger: structlog.typing.WrappedLogger, method: str, event: structlog.typing.EventDict) -> str:
        priority = f"<{_PRIORITIES[event['level']]}>"
        return "\n".join(priority + line for line in str(renderer(logger, method, event)).splitlines())

    return render


def _harmless(
    _logger: structlog.typing.WrappedLogger, _method: str, event: structlog.typing.EventDict
) -> structlog.typing.EventDict:
    """Let nothing through that moves a cursor, changes colours or begins a line of its own."""
    return {key: _printable(value, "\n\t" if key == "exception" else "") for key, value in event.items()}


def _printable(value: object, kept: str = "") -> object:
    if isinstance(value, str):
        return printable(value, kept)
    if isinstance(value, dict):
        return {_printable(key): _printable(each) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [_printable(each) for each in value]
    return value if value is None or isinstance(value, (bool, int, float)) else _printable(str(value))
