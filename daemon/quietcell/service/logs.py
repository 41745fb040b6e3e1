"""The log: text for people on a terminal, JSON lines otherwise; on standard error."""

import logging
import sys
from typing import Literal, TextIO

import structlog


def configure_logs(
    form: Literal["auto", "text", "json"], *, verbose: bool = False, file: TextIO | None = None
) -> None:
    """Set up logging for this process; `file` takes the place of standard error."""
    stream = file or sys.stderr
    readable = form == "text" or (form == "auto" and stream.isatty())
    renderer: structlog.typing.Processor = (
        structlog.dev.ConsoleRenderer(colors=stream.isatty())
        if readable
        else structlog.processors.JSONRenderer(ensure_ascii=False)
    )
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.DEBUG if verbose else logging.INFO),
        logger_factory=structlog.PrintLoggerFactory(file=stream),
        cache_logger_on_first_use=True,
    )
    logging.getLogger("mqtt").setLevel(logging.CRITICAL)  # we report lost connections ourselves, once
