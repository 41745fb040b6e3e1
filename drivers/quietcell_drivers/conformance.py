"""Whether a driver keeps what it promises: checks for any driver, by its author or by whoever installs it.

A driver is checked at a `Stand`: a meter that says numbered rows and can be told to misbehave. Whatever
happens, each reading must be one of the rows that were said, whole and in order.

Examples
--------
``findings = asyncio.run(check(my_stand))``; each finding has a fault, or none.
"""

import asyncio
import contextlib
import gc
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

from quietcell.contracts import DriverSettings, LineCounts, MeterDriver
from quietcell.core.readings import Flag, Reading
from quietcell.errors import DriverBrokeError, DriverError, PortUnavailableError
from quietcell_drivers.machine_clock import MachineClock
from quietcell_drivers.stands import PseudoTerminalStand, Stand, row

MOST_HELD = 10_000
"""Readings a driver may hold while nobody reads."""
_LINE_HOLDS = 8_000
"""Messages the pseudo-terminal itself may hold: 64 KiB of short ones."""
_STILL = 3
"""Looks in a row at which nothing more was taken, until it counts as held back."""
PATIENCE_S = 10.0
"""A generous time-out for what a good driver does in a moment."""
_JUNK = (b"\x00\xff\xfe\x1b[2J\x07", b"nonsense " * 40, bytes(range(256)), b"-1e999;nan;inf\r\n")


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What one check found."""

    check: str
    """What a good driver does, as a sentence."""
    fault: str | None
    """What this one does instead."""
    skipped: bool = False
    """Whether the stand can't show it, such as a plug where there is none."""


class _Fault(Exception):  # noqa: N818 # no error of ours: what a check found
    """Leaves a check only as a finding."""


def _demand(true: object, otherwise: str) -> None:
    if not true:
        raise _Fault(otherwise)


class _Session:
    """One driver at its stand, and what it yielded."""

    def __init__(self, stand: Stand) -> None:
        self.stand = stand
        self.clock = MachineClock()
        self.began_ms = self.clock.boot_ms()
        settings = stand.driver.settings_model.model_validate(stand.settings)
        self.driver: MeterDriver = stand.driver(settings, self.clock)
        self.readings: list[Reading] = []

    async def read(self, count: int) -> list[Reading]:
        """Read until `count` more readings came; each must be right."""
        found: list[Reading] = []
        try:
            async with asyncio.timeout(PATIENCE_S):
                while len(found) < count:
                    found += self.take(await self.driver.read())
        except TimeoutError:
            raise _Fault(f"{len(found)} of {count} readings within {PATIENCE_S:.0f} s") from None
        return found

    def take(self, readings: Sequence[Reading]) -> Sequence[Reading]:
        """Check what `read` returned."""
        _demand(isinstance(readings, Sequence), f"read returned a {type(readings).__name__}, no sequence")
        _demand(readings, "read returned without a reading")
        for reading in readings:
            self._check(reading)
            self.readings.append(reading)
        return readings

    def _check(self, reading: Reading) -> None:
        _demand(isinstance(reading, Reading), f"{reading!r} is no Reading")
        if self.stand.rows_are_known:
            number = self.stand.number_of(reading)
            sent = dict(row(self.stand.said))
            _demand(number is not None, f"a reading nobody sent: {reading}; sent last: {sent}")
            last = self.stand.number_of(self.readings[-1]) if self.readings else None
            _demand(last is None or (number or 0) > last, f"out of order or twice: {reading}")
        now_ms = self.clock.boot_ms()
        _demand(isinstance(reading.boot_ms, int), f"a stamp that is no whole number: {reading.boot_ms!r}")
        _demand(
            self.began_ms - 1 <= reading.boot_ms <= now_ms,
            f"stamped {reading.boot_ms} ms, but it came between {self.began_ms} and {now_ms} ms",
        )
        if self.readings:
            _demand(reading.boot_ms >= self.readings[-1].boot_ms, "a stamp before the last reading's")

    async def until_it_fails(self) -> DriverError:
        """Read on until the driver says that the port is gone."""
        try:
            async with asyncio.timeout(PATIENCE_S):
                while True:
                    self.take(await self.driver.read())
        except DriverBrokeError:
            raise
        except DriverError as error:
            return error
        except TimeoutError:
            raise _Fault("the meter is gone and read goes on waiting") from None

    async def reopen(self) -> None:
        """Close and open, as the daemon does after a fault."""
        await self.driver.close()
        await self.driver.open()

    async def read_on(self, count: int) -> None:
        """Read `count` readings, opening again where the driver gives up, as the daemon would."""
        left = count
        async with asyncio.timeout(PATIENCE_S):
            while left > 0:
                try:
                    left -= len(self.take(await self.driver.read()))
                except DriverBrokeError:
                    raise
                except DriverError:
                    await self.reopen()


@asynccontextmanager
async def _session(stand: Stand, *, is_open: bool = True) -> AsyncIterator[_Session]:
    await stand.start()
    session = _Session(stand)
    try:
        if is_open:
            await session.driver.open()
        yield session
    finally:
        await session.driver.close()
        await stand.stop()


# --- the checks ----------------------------------------------------------------------------------


async def _describes_its_settings(stand: Stand) -> None:
    model = stand.driver.settings_model
    _demand(issubclass(model, DriverSettings), "settings_model is no DriverSettings")
    bare = [name for name, field in model.model_fields.items() if not field.description]
    _demand(not bare, f"settings without description: {', '.join(bare)}")
    _demand(stand.driver.__doc__, "the driver's class has no docstring; its first line is what lists show")


async def _is_safe_while_closed(stand: Stand) -> None:
    async with _session(stand, is_open=False) as session:
        await session.driver.close()
        try:
            async with asyncio.timeout(PATIENCE_S):
                await session.driver.read()
        except DriverError:
            pass
        else:
            raise _Fault("read before open returned")
        await session.driver.close()
        await session.driver.close()


async def _yields_what_was_said(stand: Stand) -> None:
    async with _session(stand) as session:
        stand.talk()
        found = await session.read(8)
        counts = session.driver.counts
        _demand(isinstance(counts, LineCounts), "counts is no LineCounts")
        _demand(counts.readings >= len(found), f"counts {counts.readings} readings, yielded {len(found)}")
        for reading in found:
            sent = {name for name in stand.measures if getattr(reading, name) is None}
            _demand(not sent, f"not measured, though it was sent: {', '.join(sorted(sent))}")


async def _loses_nothing_when_cancelled(stand: Stand) -> None:
    async with _session(stand) as session:
        stand.talk()
        await session.read(1)
        for moment in range(12):
            reading = asyncio.ensure_future(session.driver.read())
            await asyncio.sleep(0.001 * (moment % 5))
            if reading.cancel():
                with contextlib.suppress(asyncio.CancelledError):
                    session.take(await reading)
            else:
                session.take(reading.result())
        await session.read(3)
        if stand.rows_are_known:
            numbers = [stand.number_of(reading) or 0 for reading in session.readings]
            # On a busy machine an answer may come too late for its question, whoever reads.
            lost = sum(
                number - before - 1
                for before, number, reading in zip(numbers, numbers[1:], session.readings[1:], strict=False)
                if not reading.flags & Flag.AFTER_TIMEOUT
            )
            _demand(not lost, f"lost {lost} readings")


async def _lets_itself_be_cancelled(stand: PseudoTerminalStand) -> None:
    async with _session(stand) as session:
        stand.talk()
        await session.read(1)
        stand.hush()
        reading = asyncio.ensure_future(session.driver.read())
        while (await asyncio.wait({reading}, timeout=0.02))[0]:  # what was said before
            if reading.exception() is not None:
                return  # it gave a silent meter up
            reading = asyncio.ensure_future(session.driver.read())
        reading.cancel()
        ended, _ = await asyncio.wait({reading}, timeout=PATIENCE_S)
        stand.talk()
        _demand(ended, "read goes on after it was cancelled")


async def _tells_when_the_plug_is_pulled(stand: PseudoTerminalStand) -> None:
    async with _session(stand) as session:
        for _ in range(2):
            stand.talk()
            await session.read(2)
            stand.unplug()
            await session.until_it_fails()
            await session.driver.close()
            try:
                await session.driver.open()
            except PortUnavailableError as error:
                _demand(str(error).strip(), "an error without words")
            else:
                raise _Fault("open found a port where none is")
            await session.driver.close()
            stand.plug()
            await session.driver.open()
        stand.talk()
        await session.read(2)


async def _reads_on_after(stand: PseudoTerminalStand, *spoilers: Callable[[bytes], bytes]) -> None:
    async with _session(stand) as session:
        stand.talk()
        await session.read(2)
        for spoil in spoilers:
            stand.spoil(spoil)
            await session.read_on(2)


async def _takes_no_junk(stand: PseudoTerminalStand) -> None:
    await _reads_on_after(stand, *(lambda _, junk=junk: junk for junk in _JUNK))


async def _takes_no_half_message(stand: PseudoTerminalStand) -> None:
    await _reads_on_after(stand, lambda m: m[: len(m) // 3], lambda m: m[: -len(m) // 4])


async def _takes_no_message_without_its_beginning(stand: PseudoTerminalStand) -> None:
    for cut in (lambda m: m[len(m) // 4 :], lambda m: m[-len(m) // 3 :]):
        async with _session(stand) as session:  # a meter may be in the middle of a message when it is opened
            stand.spoil(cut)
            stand.talk()
            await session.read_on(2)


async def _bears_silence(stand: PseudoTerminalStand) -> None:
    async with _session(stand) as session:
        stand.talk()
        await session.read(2)
        stand.hush()
        reading = asyncio.ensure_future(session.driver.read())
        await asyncio.wait({reading}, timeout=0.1)
        stand.talk()
        try:
            session.take(await reading)
        except DriverBrokeError:
            raise
        except DriverError:
            await session.reopen()
        await session.read_on(2)


async def _leaks_nothing(stand: Stand) -> None:
    async with _session(stand) as session:
        stand.talk()
        await session.read(1)
        await session.reopen()
        before = _descriptors(), len(asyncio.all_tasks())
        for _ in range(10):
            await session.reopen()
        gc.collect()
        await asyncio.sleep(0)
        after = _descriptors(), len(asyncio.all_tasks())
        _demand(after[0] <= before[0], f"{after[0] - before[0]} descriptors left open by 10 openings")
        _demand(after[1] <= before[1], f"{after[1] - before[1]} tasks left running by 10 openings")
        await session.driver.close()
        await asyncio.sleep(0)
        _demand(len(asyncio.all_tasks()) <= stand.tasks + 1, "a task runs on after close")


async def _holds_back_when_nobody_reads(stand: PseudoTerminalStand) -> None:
    async with _session(stand) as session:
        stand.talk()
        await session.read(1)
        stand.flood()
        began, most = stand.said, MOST_HELD + _LINE_HOLDS
        still = 0
        for look in range(200):
            said = stand.said
            await asyncio.sleep(0.03)
            grown = stand.said - said
            # The line is full, or far too much was taken; a driver that asks takes its time for each answer.
            # On a busy machine the line itself rests now and then.
            still = still + 1 if grown == 0 or (look >= 20 and grown < 50) else 0
            if still == _STILL or stand.said - began > most:
                break
        taken = stand.said - began
        _demand(
            taken <= most,
            f"more than {MOST_HELD} readings taken from the line while nobody reads, {MOST_HELD} are allowed",
        )


def _descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


_ANYWHERE: Sequence[tuple[str, Callable[[Stand], Awaitable[None]]]] = (
    ("describes itself and its settings", _describes_its_settings),
    ("is safe to close, and refuses to read, while not open", _is_safe_while_closed),
    ("yields what the meter said, in units of readings, in order, stamped", _yields_what_was_said),
    ("loses nothing when read is cancelled", _loses_nothing_when_cancelled),
    ("leaves no descriptor open and no task running", _leaks_nothing),
)
_ON_A_LINE: Sequence[tuple[str, Callable[[PseudoTerminalStand], Awaitable[None]]]] = (
    ("ends read when it is cancelled", _lets_itself_be_cancelled),
    ("tells when the plug is pulled, and reads on when it is back", _tells_when_the_plug_is_pulled),
    ("takes no junk for a reading", _takes_no_junk),
    ("takes no half message for a reading", _takes_no_half_message),
    ("takes no message without its beginning for a reading", _takes_no_message_without_its_beginning),
    ("bears silence", _bears_silence),
    ("holds back when nobody reads", _holds_back_when_nobody_reads),
)
"""What a good driver does, and its check."""


async def check(stand: Stand) -> list[Finding]:
    """Check a driver at its stand; one finding for each thing a good driver does.

    Parameters
    ----------
    stand : Stand
        The meter that can be told to misbehave; see `quietcell_drivers.stands`.

    Returns
    -------
    list of Finding
        In a fixed order; a good driver's findings have no fault.
    """
    findings = [Finding(check=sentence, fault=await _fault(run(stand))) for sentence, run in _ANYWHERE]
    for sentence, run_on_a_line in _ON_A_LINE:
        if isinstance(stand, PseudoTerminalStand):
            findings.append(Finding(check=sentence, fault=await _fault(run_on_a_line(stand))))
        else:
            findings.append(Finding(check=sentence, fault=None, skipped=True))
    return findings


async def _fault(run: Awaitable[None]) -> str | None:
    """Return what a check found wrong."""
    try:
        async with asyncio.timeout(6 * PATIENCE_S):
            await run
    except _Fault as found:
        return str(found)
    except DriverBrokeError as error:
        return str(error)
    except Exception as error:  # noqa: BLE001 # whatever a driver does wrong is what is looked for
        return f"{type(error).__name__}: {error}"
    return None
