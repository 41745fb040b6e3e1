"""`simulated`: a cell of purified water that is not there, for trying things out."""

from collections.abc import Iterator, Sequence
from typing import ClassVar

from pydantic import Field

from quietcell.contracts import Clock, DriverSettings, LineCounts
from quietcell.core.readings import Reading
from quietcell.errors import PortUnavailableError
from quietcell_drivers.simulation import Sample, Scenario, Simulation

_MOST_AT_ONCE = 1000


class SimulatedSettings(Scenario):
    """Settings of a simulated cell; none is needed."""

    seed: int = Field(default=1, ge=0, description="Of the noise; the same seed gives the same readings.")
    interval_s: float = Field(default=1.0, ge=0.01, le=3600, description="From one reading to the next, s.")
    step_mv: float = Field(default=0.01, gt=0, le=10, description="Resolution of the converter, mV.")


class Simulated:
    """Yields the readings of simulated water and a simulated electrode."""

    settings_model: ClassVar[type[DriverSettings]] = SimulatedSettings
    counts: LineCounts

    def __init__(self, settings: SimulatedSettings, clock: Clock) -> None:
        self._settings = settings
        self._clock = clock
        simulation = Simulation(settings, settings.seed, step_mv=settings.step_mv)
        self._samples: Iterator[Sample] = simulation.samples(settings.interval_s)
        self._origin_ms: int | None = None
        self._next: Sample | None = None
        self.counts = LineCounts()

    async def open(self) -> None:
        """Begin, or go on: the water does not wait for whoever measures it; see `MeterDriver.open`."""
        self.counts = LineCounts()
        if self._origin_ms is None:
            self._origin_ms = self._clock.boot_ms()
        opened_ms = self._clock.boot_ms()
        self._next = next(sample for sample in self._samples if self._due_ms(sample) >= opened_ms)

    async def read(self) -> Sequence[Reading]:
        """Wait for the next reading; see `MeterDriver.read`."""
        sample = self._next
        if sample is None:
            raise PortUnavailableError("the simulated meter is not open", subject="simulated")
        while (wait_ms := self._due_ms(sample) - self._clock.boot_ms()) > 0:
            await self._clock.sleep(wait_ms / 1000)
        now_ms = self._clock.boot_ms()
        readings: list[Reading] = []
        while self._due_ms(sample) <= now_ms and len(readings) < _MOST_AT_ONCE:
            readings.append(self._reading(sample))
            sample = self._next = next(self._samples)
        self.counts.readings += len(readings)
        return readings

    async def close(self) -> None:
        """Stop measuring; see `MeterDriver.close`."""
        self._next = None

    def _due_ms(self, sample: Sample) -> int:
        return (self._origin_ms or 0) + round(sample.elapsed_s * 1000)

    def _reading(self, sample: Sample) -> Reading:
        return Reading(
            boot_ms=self._due_ms(sample),
            mv=sample.mv,
            temperature_c=sample.temperature_c,
            conductivity_us_cm=sample.conductivity_us_cm,
            flow_ml_min=sample.flow_ml_min,
        )
