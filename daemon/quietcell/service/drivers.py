"""Drivers by name, found through the entry-point group ``quietcell.drivers``; loaded when asked for."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from importlib.metadata import EntryPoint, entry_points
from typing import ClassVar, NoReturn

from quietcell.contracts import Clock, DriverSettings, DriverTable, LineCounts, MeterDriver
from quietcell.core.readings import Reading, ReadingRows
from quietcell.errors import DriverBrokeError, DriverError

GROUP = "quietcell.drivers"


class InstalledDrivers(Mapping[str, type[MeterDriver]]):
    """All installed drivers; a broken one fails only when it is looked up."""

    def __init__(self) -> None:
        self._found: dict[str, dict[str, EntryPoint]] = {}
        """By name and package."""
        for point in entry_points(group=GROUP):
            package = point.dist.name if point.dist else "unknown"
            self._found.setdefault(point.name, {})[package] = point

    def __getitem__(self, name: str) -> type[MeterDriver]:
        """Load a driver.

        Raises
        ------
        KeyError
            If no installed package offers it.
        DriverError
            If its package cannot be loaded or offers something else, or there are two.
        """
        (package, point), *others = sorted(self._found[name].items())
        if others:
            raise DriverError(
                f"is offered by packages {', '.join(sorted(self._found[name]))}",
                subject=f"driver {name}",
                hint="Which is meant nobody can tell: remove one, or give its driver a name of its own",
            )
        subject = f"driver {name} ({point.value}, package {package})"
        try:
            driver = point.load()
        except Exception as error:
            raise DriverError(
                f"cannot be loaded: {type(error).__name__}: {error}",
                subject=subject,
                hint="Reinstall the package that offers it",
            ) from error
        model = getattr(driver, "settings_model", None)
        if not (isinstance(driver, type) and isinstance(model, type) and issubclass(model, DriverSettings)):
            raise DriverError("is no meter driver", subject=subject)
        return driver

    def __iter__(self) -> Iterator[str]:
        """Iterate over names in order."""
        return iter(sorted(self._found))

    def __len__(self) -> int:
        """Return the number of installed drivers."""
        return len(self._found)


def make_driver(drivers: DriverTable, name: str, settings: DriverSettings, clock: Clock) -> MeterDriver:
    """Return a driver, not yet open; one that cannot even be made fails when it is opened."""
    try:
        return drivers[name](settings, clock)
    except Exception as error:  # noqa: BLE001 # whatever a driver does wrong is its own cell's trouble
        return _Unmade(
            DriverBrokeError(
                f"the driver broke: {type(error).__name__}: {error}", subject=name, hint="Tell its author"
            )
        )


class _Unmade:
    """Stands for a driver that could not be made."""

    settings_model: ClassVar[type[DriverSettings]] = DriverSettings

    def __init__(self, error: DriverBrokeError) -> None:
        self.counts = LineCounts()
        self._error = error

    async def open(self) -> None:
        raise self._error

    async def read(self) -> NoReturn:
        raise self._error

    async def close(self) -> None:
        """Nothing was opened."""


def checked_counts(counts: object) -> LineCounts:
    """Return a copy of what a driver counts, if it is what it promised.

    Raises
    ------
    TypeError
        If it is something else.
    """
    if not isinstance(counts, LineCounts):
        raise TypeError(f"counts is a {type(counts).__name__}, no LineCounts")
    copy = replace(counts, reasons=dict(counts.reasons))
    numbers = (copy.readings, copy.discarded_bytes, *copy.reasons.values())
    texts = (copy.last_bad_line, *copy.reasons)
    if not all(isinstance(each, int) for each in numbers) or not all(isinstance(t, str) for t in texts):
        raise TypeError("counts holds something else than numbers by reasons in words")
    return copy


def checked_readings(readings: object, *, latest_boot_ms: int) -> ReadingRows:
    """Return what a driver gave, as rows, if it is what it promised.

    Raises
    ------
    TypeError
        If it is no sequence of readings, or empty.
    ValueError
        If a reading comes from the future or a quantity is no finite number.
    """
    if not isinstance(readings, Sequence) or not readings:
        raise TypeError("read() returned no reading")
    if not isinstance(readings, ReadingRows):
        given: Sequence[object] = readings
        for reading in given:
            if not isinstance(reading, Reading):
                raise TypeError(f"read() returned a {type(reading).__name__}")
    rows = ReadingRows.of(readings)
    boot_ms, *quantities, _ = zip(*rows.rows, strict=True)
    if max(boot_ms) <= latest_boot_ms and math.isfinite(sum(sum(filter(None, each)) for each in quantities)):
        return rows
    for row in rows.rows:
        if row[0] > latest_boot_ms:
            raise ValueError("a reading is stamped ahead of the clock")
        if not all(map(math.isfinite, filter(None, row[1:5]))):  # neither missing nor zero
            raise ValueError(f"a reading holds {row[1:5]}, not all finite numbers")
    return rows
