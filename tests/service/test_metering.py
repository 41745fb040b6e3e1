"""What is told of a meter that can't be opened."""

import asyncio
from collections.abc import Coroutine
from typing import Any, cast

import pytest
import structlog

from quietcell.errors import DriverBrokeError, DriverError, PortUnavailableError
from quietcell.service.guarded_driver import GuardedDriver
from quietcell.service.metering import Metering


class Away:
    """A meter whose port never opens."""

    name = "line-stream"

    def __init__(self, error: DriverError) -> None:
        self._error = error

    async def open(self) -> None:
        raise self._error from FileNotFoundError("no such file")

    async def close(self) -> None:
        pass


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

    def guard(work: Coroutine[Any, Any, None]) -> Coroutine[Any, Any, None]:
        return work

    with structlog.testing.capture_logs() as logs:
        meter = cast("GuardedDriver", Away(error))
        metering = Metering(meter, receive=receive, tell=tell, log=structlog.get_logger())
        metering.start(guard, "reading")
        await told.wait()
        await metering.stop()
    assert [(line["text"], line["exc_info"] is not None) for line in logs] == [(str(error), traced)]
