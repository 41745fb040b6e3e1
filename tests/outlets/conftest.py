"""Fixtures of the tests of outlets: what is logged, and what must not be."""

import logging
from collections.abc import Iterator

import pytest
import structlog


@pytest.fixture
async def nothing_to_complain_about(caplog: pytest.LogCaptureFixture) -> object:
    """Fail a test in which asyncio, or a library, logs a traceback or a warning of its own."""
    yield
    assert [r.getMessage() for r in caplog.records if r.levelno >= logging.WARNING] == []


@pytest.fixture
def logs() -> Iterator[list[dict[str, object]]]:
    """What the program itself logs."""
    with structlog.testing.capture_logs() as logs:
        yield logs  # type: ignore[misc] # the library promises mutable mappings, which these are
