"""Many descriptors share their wake-ups; each is still read in order, and none is forgotten."""

import asyncio
import os

from quietcell_drivers import gathering
from quietcell_drivers.gathering import GATHERING_S, MANY_PORTS, leave, watch
from tests.support.until import until


class Pipes:
    """Pipes whose reading ends are watched; notes what comes, and when."""

    def __init__(self, count: int) -> None:
        self.loop = asyncio.get_running_loop()
        self.pipes = [os.pipe() for _ in range(count)]
        self.heard: list[tuple[int, bytes]] = []
        self.rounds: set[float] = set()
        for number, (reading, _) in enumerate(self.pipes):
            watch(self.loop, reading, lambda number=number: self._hear(number))  # type: ignore[misc] # bound now

    def _hear(self, number: int) -> None:
        self.heard.append((number, os.read(self.pipes[number][0], 64)))

    def close(self) -> None:
        for ends in self.pipes:
            leave(self.loop, ends[0])
            for end in ends:
                os.close(end)


async def test_what_many_send_is_all_heard_in_order_within_a_moment() -> None:
    pipes = Pipes(MANY_PORTS)
    for turn in range(3):
        for number, (_, writing) in enumerate(pipes.pipes):
            os.write(writing, b"%d.%d;" % (number, turn))
        began_s = pipes.loop.time()
        while sum(data.count(b";") for _, data in pipes.heard) < MANY_PORTS * (turn + 1):
            await asyncio.sleep(0)
            assert pipes.loop.time() - began_s < GATHERING_S + 5.0
    for number in range(MANY_PORTS):
        told = b"".join(data for heard, data in pipes.heard if heard == number)
        assert told == b"".join(b"%d.%d;" % (number, turn) for turn in range(3))
    pipes.close()


async def test_a_few_are_heard_at_once() -> None:
    pipes = Pipes(2)
    for _ in range(3):
        os.write(pipes.pipes[0][1], b"x")
        os.write(pipes.pipes[1][1], b"y")
        await asyncio.sleep(0)  # one turn of the loop finds them, one reads them
        await asyncio.sleep(0)
    assert len(pipes.heard) == 6
    pipes.close()


async def test_one_that_leaves_in_the_middle_of_a_round_is_called_no_more_and_nothing_is_left_open() -> None:
    before = len(os.listdir("/proc/self/fd"))  # noqa: PTH208 # numbers, not files
    pipes = Pipes(MANY_PORTS)

    def leave_all() -> None:
        for reading, _ in pipes.pipes:
            leave(pipes.loop, reading)

    leave(pipes.loop, pipes.pipes[0][0])
    watch(pipes.loop, pipes.pipes[0][0], leave_all)
    for _, writing in pipes.pipes:
        os.write(writing, b"x")
    await asyncio.sleep(2 * GATHERING_S)
    assert len(pipes.heard) < MANY_PORTS
    assert pipes.loop not in gathering._gathering
    pipes.close()
    assert len(os.listdir("/proc/self/fd")) == before  # noqa: PTH208 # same


async def test_where_many_send_all_the_time_rounds_are_few() -> None:
    pipes = Pipes(MANY_PORTS)
    began_s = pipes.loop.time()
    heard_at_s: list[float] = []
    sent = 0
    while pipes.loop.time() - began_s < 10 * GATHERING_S:
        os.write(pipes.pipes[sent % MANY_PORTS][1], b"x")
        sent += 1
        before = len(pipes.heard)
        await asyncio.sleep(GATHERING_S / 50)
        if len(pipes.heard) > before:
            heard_at_s.append(pipes.loop.time())
    assert len(heard_at_s) <= (pipes.loop.time() - began_s) / GATHERING_S + 2
    pipes.close()


async def test_a_mistake_at_one_is_told_and_costs_the_others_nothing() -> None:
    pipes = Pipes(MANY_PORTS)
    told: list[object] = []
    pipes.loop.set_exception_handler(lambda _loop, context: told.append(context["exception"]))

    def break_once() -> None:
        leave(pipes.loop, pipes.pipes[0][0])
        raise ZeroDivisionError

    leave(pipes.loop, pipes.pipes[0][0])
    watch(pipes.loop, pipes.pipes[0][0], break_once)
    for turn in range(1, 3):
        for _, writing in pipes.pipes:
            os.write(writing, b"x")
        await until(lambda turn=turn: len(pipes.heard) >= turn * (MANY_PORTS - 1))  # type: ignore[misc] # same
    assert [type(each) for each in told] == [ZeroDivisionError]
    pipes.loop.set_exception_handler(None)
    pipes.close()
