"""A thread beside the event loop that does one job after the other."""

import asyncio
from collections.abc import Callable
from contextlib import suppress
from queue import SimpleQueue
from threading import Thread
from typing import Any, TypeVar

T = TypeVar("T")


class Worker:
    """A thread that works until it is closed.

    An executor of one thread takes twice as long to begin and to answer, and every commit would wait for it.

    Parameters
    ----------
    name : str
        Of the thread.
    """

    def __init__(self, name: str) -> None:
        self._jobs: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._closed = False
        self._thread = Thread(target=self._work, name=name, daemon=True)
        self._thread.start()

    def put(self, job: Callable[[], None]) -> None:
        """Queue a job that raises nothing; after `close` it is never done."""
        self._jobs.put(job)

    async def run(self, work: Callable[[], T]) -> T:
        """Do something in the thread, behind what is queued, and return what it returns or raises.

        Raises
        ------
        RuntimeError
            After `close`.
        """
        if self._closed:
            raise RuntimeError(f"the thread {self._thread.name!r} has ended")
        loop = asyncio.get_running_loop()
        answer: asyncio.Future[T] = loop.create_future()

        def job() -> None:
            try:
                found = work()
            except BaseException as error:  # noqa: BLE001 # goes to whoever asked
                tell(loop, _settle, answer, error, None)
            else:
                tell(loop, _settle, answer, None, found)

        self.put(job)
        return await answer

    def close(self) -> None:
        """Do what is queued and end the thread."""
        if not self._closed:
            self._closed = True
            self._jobs.put(None)
        self._thread.join()

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            job()


def tell(loop: asyncio.AbstractEventLoop, call: Callable[..., None], *values: Any) -> None:
    """Have the event loop call something, unless it has ended."""
    with suppress(RuntimeError):
        loop.call_soon_threadsafe(call, *values)


def _settle(answer: asyncio.Future[T], error: BaseException | None, found: T) -> None:
    if answer.done():
        return  # whoever asked waits no longer
    if error is not None:
        answer.set_exception(error)
    else:
        answer.set_result(found)
