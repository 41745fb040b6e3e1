"""Drivers by name, found through the entry-point group ``quietcell.drivers``; loaded when asked for."""

from collections.abc import Iterator, Mapping
from importlib.metadata import EntryPoint, entry_points

from quietcell.contracts import MeterDriver
from quietcell.errors import DriverError

GROUP = "quietcell.drivers"


class InstalledDrivers(Mapping[str, type[MeterDriver]]):
    """All installed drivers; a broken one fails only when it is looked up."""

    def __init__(self) -> None:
        self._found: dict[str, EntryPoint] = {point.name: point for point in entry_points(group=GROUP)}

    def __getitem__(self, name: str) -> type[MeterDriver]:
        """Load a driver.

        Raises
        ------
        KeyError
            If no installed package offers it.
        DriverError
            If its package cannot be loaded or offers something else.
        """
        point = self._found[name]
        try:
            driver = point.load()
        except Exception as error:
            raise DriverError(
                f"cannot be loaded: {type(error).__name__}: {error}",
                subject=f"driver {name} ({point.value})",
                hint="Reinstall the package that offers it",
            ) from error
        if not (isinstance(driver, type) and hasattr(driver, "settings_model")):
            raise DriverError("is no meter driver", subject=f"driver {name} ({point.value})")
        return driver

    def __iter__(self) -> Iterator[str]:
        """Iterate over names in order."""
        return iter(sorted(self._found))

    def __len__(self) -> int:
        """Return the number of installed drivers."""
        return len(self._found)
