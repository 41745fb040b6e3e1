"""The log: text for people on a terminal, JSON lines otherwise; on standard error."""

import logging
import os
import sys
from contextlib import suppress
from typing import Literal, TextIO, cast

import structlog


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
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            _harmless,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.DEBUG if verbose else logging.INFO),
        logger_factory=lambda *_: structlog.PrintLogger(cast("TextIO", _Forbearing(stream))),
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


def _harmless(
    _logger: structlog.typing.WrappedLogger, _method: str, event: structlog.typing.EventDict
) -> structlog.typing.EventDict:
    """Let nothing through that moves a cursor, changes colours or begins a line of its own."""
    return {key: _printable(value, "\n\t" if key == "exception" else "") for key, value in event.items()}


def printable(text: str, kept: str = "") -> str:
    """Escape what a terminal would act upon, whatever meter, broker or person it came from."""
    return "".join(
        c if c.isprintable() or c in kept else c.encode("unicode_escape").decode("ascii") for c in text
    )


def _printable(value: object, kept: str = "") -> object:
    if isinstance(value, str):
        return printable(value, kept)
    if isinstance(value, dict):
        return {_printable(key): _printable(each) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [_printable(each) for each in value]
    return value if value is None or isinstance(value, (bool, int, float)) else _printable(str(value))
