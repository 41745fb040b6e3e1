"""A polled meter: one question, one answer, and no late answer taken for the next one's."""

import asyncio
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest

from quietcell.core.readings import Flag
from quietcell.errors import PortLostError, ReplyTimeoutError
from quietcell_drivers.line_poll import NO_ANSWER, UNASKED, LinePoll, LinePollSettings
from quietcell_drivers.machine_clock import MachineClock
from quietcell_drivers.pseudo_terminal import PseudoTerminal
from tests.support.fetching import fetch
from tests.support.until import PATIENCE_S

QUESTION = b"READ?\r\n"


class AskedMeter:
    """Answers each question on a pseudo-terminal with what `answer` makes of its number."""

    def __init__(self, terminal: PseudoTerminal, answer: Callable[[int], bytes]) -> None:
        self.terminal = terminal
        self.questions = 0
        self._answer = answer
        self._held = b""
        asyncio.get_running_loop().add_reader(terminal.master, self._readable)

    def _readable(self) -> None:
        self._held += self.terminal.read()
        while QUESTION in self._held:
            _, self._held = self._held.split(QUESTION, 1)
            self.questions += 1
            if answer := self._answer(self.questions):
                self.terminal.write(answer)

    def leave(self) -> None:
        asyncio.get_running_loop().remove_reader(self.terminal.master)


def make(port: str, **changes: Any) -> LinePoll:
    plain = {
        "port": port,
        "question": r"READ?\r\n",
        "columns": ["mv", "temperature_c"],
        "interval_s": 0.02,
        "reply_timeout_s": 0.15,
        "quiet_s": 0.05,
        **changes,
    }
    return LinePoll(LinePollSettings.model_validate(plain), MachineClock())


async def test_each_question_gives_a_reading(terminal: PseudoTerminal) -> None:
    meter = AskedMeter(terminal, lambda n: f"{n}.5;21.0\r\n".encode())
    driver = make(terminal.port)
    await driver.open()
    readings = await fetch(driver, 5)
    await driver.close()
    meter.leave()
    assert [reading.mv for reading in readings[:5]] == [1.5, 2.5, 3.5, 4.5, 5.5]
    assert all(reading.flags == 0 for reading in readings)


async def test_an_echo_is_dropped(terminal: PseudoTerminal) -> None:
    meter = AskedMeter(terminal, lambda n: QUESTION + f"{n}.5;21.0\r\n".encode())
    driver = make(terminal.port, echo=True)
    await driver.open()
    assert [reading.mv for reading in await fetch(driver, 2)][:2] == [1.5, 2.5]
    await driver.close()
    meter.leave()


async def test_an_echo_that_ends_otherwise_than_the_answer_is_dropped(terminal: PseudoTerminal) -> None:
    meter = AskedMeter(terminal, lambda n: QUESTION.rstrip(b"\n") + f"{n}.5;21.0!".encode())
    driver = make(terminal.port, echo=True, terminator="!")
    await driver.open()
    assert [reading.mv for reading in await fetch(driver, 2)][:2] == [1.5, 2.5]
    await driver.close()
    meter.leave()


async def test_a_word_behind_each_answer_that_is_ignored_keeps_nothing_in_doubt(
    terminal: PseudoTerminal,
) -> None:
    meter = AskedMeter(terminal, lambda n: b"" if n == 2 else f"{n}.5;21.0\r\nOK\r\n".encode())
    driver = make(terminal.port, ignore="OK")
    await driver.open()
    readings = await fetch(driver, 3)
    await driver.close()
    meter.leave()
    assert [reading.mv for reading in readings[:3]] == [1.5, 3.5, 4.5]
    assert [reading.flags for reading in readings[:3]] == [0, Flag.AFTER_TIMEOUT, 0]


def test_a_question_outside_the_character_set_is_a_fault_of_the_settings() -> None:
    with pytest.raises(ValueError, match="does not exist in latin-1"):
        make("/dev/null", question="Ω?")


async def test_a_late_answer_is_never_taken_for_the_next_ones(terminal: PseudoTerminal) -> None:
    loop = asyncio.get_running_loop()

    def answer(number: int) -> bytes:
        line = f"{number}.0;21.0\r\n".encode()
        if number % 3 == 0:  # after the time-out, before the line was silent long enough
            loop.call_later(0.17, terminal.write, line)
            return b""
        return line

    meter = AskedMeter(terminal, answer)
    driver = make(terminal.port)
    await driver.open()
    readings = (await fetch(driver, 7))[:7]
    await driver.close()
    meter.leave()
    values = [reading.mv or 0.0 for reading in readings]
    # A busy machine may time out more often; what it may not do is to take an answer for another's.
    assert values == sorted(set(values))
    assert not [number for number in values if number % 3 == 0]
    flagged = {reading.mv for reading in readings if reading.flags & Flag.AFTER_TIMEOUT}
    assert flagged >= {number for number, before in pairwise(reversed(values)) if number - before > 1}
    assert driver.counts.reasons[NO_ANSWER] >= 2
    assert driver.counts.reasons[UNASKED] >= 2


async def test_a_meter_that_lags_by_one_answer_yields_no_wrong_reading(terminal: PseudoTerminal) -> None:
    loop = asyncio.get_running_loop()

    def answer(number: int) -> bytes:
        line = f"{number}.0;21.0\r\n".encode()
        if number < 4:
            loop.call_later(0.27, terminal.write, line)  # beyond time-out and silence
            return b""
        return line

    meter = AskedMeter(terminal, answer)
    driver = make(terminal.port, give_up_after=50)
    await driver.open()
    (first, *_) = await fetch(driver, 1)
    asked = meter.questions
    await driver.close()
    meter.leave()
    assert first.mv == asked
    assert first.flags & Flag.AFTER_TIMEOUT


async def test_an_answer_that_is_no_reading_is_counted_and_the_next_flagged(terminal: PseudoTerminal) -> None:
    meter = AskedMeter(terminal, lambda n: b"E27 what?\n" if n == 2 else f"{n}.0;21.0\r\n".encode())
    driver = make(terminal.port)
    await driver.open()
    readings = (await fetch(driver, 2))[:2]
    await driver.close()
    meter.leave()
    assert [reading.mv for reading in readings] == [1.0, 3.0]
    assert readings[1].flags & Flag.AFTER_ERROR
    assert driver.counts.last_bad_line == "E27 what?"


async def test_an_answer_without_terminator_ends_with_a_gap(terminal: PseudoTerminal) -> None:
    meter = AskedMeter(terminal, lambda n: f"{n}.0;21.0".encode())
    driver = make(terminal.port, terminator="", gap_s=0.02)
    await driver.open()
    assert [reading.mv for reading in (await fetch(driver, 3))[:3]] == [1.0, 2.0, 3.0]
    await driver.close()
    meter.leave()


async def test_a_meter_that_stays_silent_gives_the_port_up_with_a_hint(terminal: PseudoTerminal) -> None:
    meter = AskedMeter(terminal, lambda _: b"")
    driver = make(terminal.port, give_up_after=2, reply_timeout_s=0.05)
    await driver.open()
    with pytest.raises(ReplyTimeoutError, match=r"2 questions without a reading.*no answer.*Is the meter on"):
        await asyncio.wait_for(driver.read(), PATIENCE_S)
    await driver.close()
    assert meter.questions == 2
    meter.leave()


async def test_a_question_that_comes_back_unexpected_is_told_as_such(terminal: PseudoTerminal) -> None:
    meter = AskedMeter(terminal, lambda _: b"READ?\r\n25.0;21.0\r\n")
    driver = make(terminal.port, give_up_after=2)
    await driver.open()
    with pytest.raises(ReplyTimeoutError, match="the question itself came back, which echo = true expects"):
        await asyncio.wait_for(driver.read(), PATIENCE_S)
    await driver.close()
    meter.leave()


async def test_a_meter_whose_answers_are_no_readings_is_not_called_silent(terminal: PseudoTerminal) -> None:
    meter = AskedMeter(terminal, lambda _: b"E27 what?\r\n")
    driver = make(terminal.port, give_up_after=2)
    await driver.open()
    with pytest.raises(ReplyTimeoutError, match=r"2 questions without a reading.*E27 what\?.*columns right"):
        await asyncio.wait_for(driver.read(), PATIENCE_S)
    await driver.close()
    meter.leave()


async def test_an_unplugged_port_is_told(terminal: PseudoTerminal) -> None:
    meter = AskedMeter(terminal, lambda n: f"{n}.0;21.0\r\n".encode())
    driver = make(terminal.port)
    await driver.open()
    await fetch(driver, 1)
    meter.leave()
    terminal.unplug()
    with pytest.raises(PortLostError):
        await asyncio.wait_for(_for_ever(driver), PATIENCE_S)
    await driver.close()


async def _for_ever(driver: LinePoll) -> None:
    while True:
        await driver.read()


async def test_cancelling_a_read_loses_no_reading(terminal: PseudoTerminal) -> None:
    meter = AskedMeter(terminal, lambda n: f"{n}.0;21.0\r\n".encode())
    driver = make(terminal.port)
    await driver.open()
    seen: list[float | None] = []
    async with asyncio.timeout(PATIENCE_S):
        while len(seen) < 6:
            task = asyncio.create_task(driver.read())
            await asyncio.wait({task}, timeout=0.005)
            task.cancel()
            if not task.cancelled() and task.done():
                seen.extend(reading.mv for reading in task.result())
    await driver.close()
    meter.leave()
    assert seen[:6] == [1.0, 2.0, 3.0, 4.0, 5.0, 6.0]
