"""What is told of a meter that can't be opened."""

import asyncio
from collections.abc import Coroutine
from typing import Any, cast

import pytest
import structlog

from quietcell.contracts import LineCounts
from quietcell.errors import DriverBrokeError, DriverError, PortUnavailableError, ReplyTimeoutError
from quietcell.service import metering
from quietcell.service.guarded_driver import GuardedDriver
from quietcell.service.metering import Metering
from tests.support.until import until


class Away:
    """A meter whose port never opens."""

    name = "line-stream"

    def __init__(self, error: DriverError) -> None:
        self._error = error

    async def open(self) -> None:
        raise self._error from FileNotFoundError("no such file")

    async def close(self) -> None:
        pass


class Mute:
    """A meter whose port opens, and whose answers are no readings."""

    name = "line-poll"
    counts = LineCounts()

    def __init__(self) -> None:
        self.opened = 0

    async def open(self) -> None:
        self.opened += 1

    async def read(self) -> None:
        raise ReplyTimeoutError(f"5 questions without a reading, the last because of: {self.opened}.5;21.0")

    async def close(self) -> None:
        pass


async def _ignored(*_words: Any, **_more: Any) -> None:
    pass


def unguarded(work: Coroutine[Any, Any, None]) -> Coroutine[Any, Any, None]:
    return work


async def test_a_meter_asked_in_vain_again_and_again_is_told_of_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(metering, "REOPEN_FIRST_S", 0.0)
    monkeypatch.setattr(metering, "REOPEN_LONGEST_S", 0.0)
    mute = Mute()
    with structlog.testing.capture_logs() as logs:
        trying = Metering(
            cast("GuardedDriver", mute), receive=_ignored, tell=_ignored, log=structlog.get_logger()
        )
        trying.start(unguarded, "reading")
        await until(lambda: mute.opened > 5)
        await trying.stop()
        assert "21.0" in trying.hindrance()  # what it said last
    assert [line["event"] for line in logs] == ["meter open", "meter fault", "meter open"]


@pytest.mark.parametrize(
    ("error", "traced"),
    [
        (PortUnavailableError("there is no such port", subject="/dev/ttyUSB0"), False),
        (DriverBrokeError("broke by a mistake of its own"), True),
    ],
)
async def test_only_a_driver_that_broke_leaves_a_trace_in_the_log(
    error: DriverError, *, traced: bool
) -> None:
    told = asyncio.Event()

    async def tell(_driver: str, _text: str) -> None:
        told.set()

    async def receive(readings: Any, *, reopened: bool) -> None:
        raise AssertionError(readings, reopened)

    with structlog.testing.capture_logs() as logs:
        meter = cast("GuardedDriver", Away(error))
        trying = Metering(meter, receive=receive, tell=tell, log=structlog.get_logger())
        trying.start(unguarded, "reading")
        await told.wait()
        await trying.stop()
    assert [(line["text"], line["exc_info"] is not None) for line in logs] == [(str(error), traced)]
