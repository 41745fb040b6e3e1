"""Waiting in coroutine tests: long but not for ever, and ending what was started."""

import asyncio
from collections.abc import Callable
from contextlib import suppress
from typing import Any

PATIENCE_S = 60.0
"""A generous time-out for what normally takes milliseconds or seconds."""


async def until(true: Callable[[], bool]) -> None:
    """Wait until something is true; the loop runs on meanwhile."""
    async with asyncio.timeout(PATIENCE_S):
        while not true():  # noqa: ASYNC110 # what is awaited lies in other threads and processes
            await asyncio.sleep(0.002)


async def cancelled(task: asyncio.Task[Any]) -> None:
    """Cancel a task and wait for its end."""
    task.cancel()
    with suppress(asyncio.CancelledError):
        async with asyncio.timeout(PATIENCE_S):
            await task
