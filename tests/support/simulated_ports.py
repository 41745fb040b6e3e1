"""Serial ports that exist only in memory: plugged, unplugged and fed by a test, whatever the clock says."""

from collections.abc import Callable

from quietcell.contracts import Clock
from quietcell.errors import PortLostError, PortUnavailableError
from quietcell_drivers.port import Port, PortListener
from quietcell_drivers.port_settings import PortSettings


class SimulatedPort:
    """One port under one name."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.plugged = True
        self._listener: PortListener | None = None
        self._boot_ms: Callable[[], int] = lambda: 0

    def send(self, data: bytes) -> bool:
        """Let bytes arrive now; False when nobody has the port open."""
        if self._listener is None:
            return False
        self._listener.received(self._boot_ms(), data)
        return True

    def unplug(self) -> None:
        """Pull the plug."""
        self.plugged = False
        if self._listener is not None:
            listener, self._listener = self._listener, None
            listener.lost(PortLostError("the port went away", subject=self.name))

    async def write(self, data: bytes) -> None:
        """Nobody asks these meters anything."""

    def pause(self) -> None:
        """Input is small."""

    def resume(self) -> None:
        """Input is small."""

    def close(self) -> None:
        self._listener = None

    def opened(self, clock: Clock, listener: PortListener) -> Port:
        if not self.plugged:
            raise PortUnavailableError("there is no such port", subject=self.name)
        self._boot_ms, self._listener = clock.boot_ms, listener
        return self


class SimulatedPorts(dict[str, SimulatedPort]):
    """Ports by name; `open_port` stands in for the one of the drivers."""

    async def open_port(
        self,
        settings: PortSettings,
        clock: Clock,
        listener: PortListener,
        *,
        may_gather: bool = False,  # noqa: ARG002 # these stamp at once
    ) -> Port:
        return self[settings.port].opened(clock, listener)
