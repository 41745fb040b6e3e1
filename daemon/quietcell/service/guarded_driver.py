"""A driver held to what it promised: its mistakes are faults of its cell alone, and it holds nobody up."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from typing import Any, TypeVar

from quietcell.contracts import Clock, LineCounts, MeterDriver, PatientDriver
from quietcell.core.readings import ReadingRows, Row
from quietcell.errors import DriverBrokeError, DriverError
from quietcell.service.drivers import checked_counts, checked_readings

LET_GO_S = 0.5
"""So long a driver may take to end what it does, or to close."""
FUTURE_MS = 1000
"""A stamp this far ahead of the clock (times its scale) is a mistake of the driver."""
T = TypeVar("T")


class GuardedDriver:
    """A cell's driver.

    Parameters
    ----------
    name : str
        As configured.
    driver : MeterDriver
        Not yet open.
    clock : Clock
        Time.
    scale : float
        Seconds of `clock` for each second of the machine.
    log : structlog logger
        Of the cell.

    Every method raises `DriverError` as the driver says, or `DriverBrokeError` where it does what it may not.
    """

    def __init__(self, name: str, driver: MeterDriver, clock: Clock, *, scale: float, log: Any) -> None:
        self.name = name
        self._driver = driver
        self._clock = clock
        self._future_ms = round(FUTURE_MS * scale)
        self._log = log
        self._patient: PatientDriver | None = None
        """The driver while it is open, where it can wait."""

    @property
    def counts(self) -> LineCounts:
        """What it has sent since its port was opened."""
        try:
            return checked_counts(self._driver.counts)
        except Exception:  # noqa: BLE001 # counting wrongly must end nobody else's work
            return LineCounts()

    async def open(self) -> None:
        """Open its port."""
        await self._ask(self._driver.open)
        self._patient = self._driver if isinstance(self._driver, PatientDriver) else None

    async def read(self) -> ReadingRows:
        """Wait for readings and return them."""
        return self._checked(await self._ask(self._driver.read))

    def may_wait_until(self, boot_ms: int) -> None:
        """Let a patient driver keep what comes before `boot_ms`."""
        if self._patient is not None:
            self._patient.may_wait_until(boot_ms)

    def at_hand(self) -> Sequence[Row]:
        """Return what a patient driver has kept so far; one that fails here is asked for it no more."""
        if self._patient is None:
            return ()
        try:
            readings = self._patient.at_hand()
            return self._checked(readings).rows if readings else ()
        except DriverBrokeError:
            self._patient = None
            raise
        except Exception as error:
            self._patient = None
            raise _broke(self.name, error) from error

    async def close(self) -> None:
        """Release the port, whatever the driver makes of it; what it has kept back is not asked for again."""
        self._patient = None
        closing = asyncio.create_task(self._ask(self._driver.close), name=f"{self.name} closing")
        _, clinging = await asyncio.wait({closing}, timeout=LET_GO_S)
        if clinging:
            closing.cancel()
        error = "it takes too long" if clinging else closing.exception()
        if error is not None:
            self._log.warning("meter not closed in order", driver=self.name, text=str(error))

    async def _ask(self, ask: Callable[[], Awaitable[T]]) -> T:
        """Ask the driver for something; its own mistakes are faults of this cell alone.

        Raises
        ------
        DriverError
            As the driver says.
        DriverBrokeError
            If it raises what it may not.
        """
        try:
            return await ask()
        except DriverError:
            raise
        except asyncio.CancelledError as error:
            task = asyncio.current_task()
            if task is None or task.cancelling():
                raise
            raise _broke(self.name, error) from error
        except (Exception, SystemExit) as error:
            raise _broke(self.name, error) from error

    def _checked(self, readings: object) -> ReadingRows:
        """Hold a driver to what it promised."""
        try:
            return checked_readings(readings, latest_boot_ms=self._clock.boot_ms() + self._future_ms)
        except (TypeError, ValueError) as error:
            raise _broke(self.name, error) from error


def _broke(driver: str, error: BaseException) -> DriverBrokeError:
    """Return a driver's own mistake as a fault of the cell."""
    broke = DriverBrokeError(
        f"the driver broke: {type(error).__name__}: {error}", subject=driver, hint="Tell its author"
    )
    broke.__cause__ = error
    return broke
