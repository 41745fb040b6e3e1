"""The one place where a port is opened: a serial device, or a TCP connection with the same face.

Bytes are stamped as they leave the descriptor, before anyone looks at them, and handed to a
listener on the event loop; there is no thread and no queue in between.
"""

import asyncio
import contextlib
import fcntl
import os
import socket
import struct
import termios
from typing import Protocol

import serial

from quietcell.contracts import Clock
from quietcell.errors import DriverBrokeError, DriverError, PortLostError, PortUnavailableError
from quietcell_drivers.gathering import leave, watch
from quietcell_drivers.pace import Pace
from quietcell_drivers.port_refusals import in_words, unavailable
from quietcell_drivers.port_settings import SOCKET_SCHEME, PortSettings, socket_address

READ_BYTES = 4096
"""Most bytes taken in one read: what a Linux terminal line buffers."""
MOST_BYTES_PER_S, AT_ONCE_S = 100_000, 1.0
"""A network carries more than a serial line of 921 600 bit/s; what is beyond that, but for a backlog of a
second, is left to the sender, or one server could keep the whole program busy."""

_PARITY = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
# linux/serial.h, struct serial_icounter_struct: cts dsr rng dcd rx tx frame overrun parity brk
# buf_overrun, then nine reserved; asm-generic/ioctls.h for the request.
_TIOCGICOUNT = 0x545D
_ICOUNT = struct.Struct("20i")
_ICOUNT_FAULTS = slice(6, 11)

_KEEPALIVE = (
    (socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1),
    (socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, 10),
    (socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, 5),
    (socket.IPPROTO_TCP, socket.TCP_KEEPCNT, 3),
    (socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, 25_000),
)
"""So is a peer noticed that is gone without a word, whether we listen or write."""


class PortListener(Protocol):
    """Who is told what a port brings; called on the event loop."""

    def received(self, boot_ms: int, data: bytes) -> None:
        """Take `data`, read from the descriptor at `boot_ms`."""
        ...

    def damaged(self, size: int) -> None:
        """Learn that `size` bytes came with a framing, parity or overrun error among them."""
        ...

    def lost(self, error: DriverError) -> None:
        """Learn that the port is gone, or that taking what came broke; nothing comes after."""
        ...


class Port(Protocol):
    """An open port."""

    async def write(self, data: bytes) -> None:
        """Send all of `data`; raises `PortLostError` if the port is gone."""
        ...

    def pause(self) -> None:
        """Leave further input where it is."""
        ...

    def resume(self) -> None:
        """Take input again after `pause`."""
        ...

    def close(self) -> None:
        """Release the port; safe to call twice. `lost` is not called for it."""
        ...


async def open_port(
    settings: PortSettings, clock: Clock, listener: PortListener, *, may_gather: bool = False
) -> Port:
    """Open the port that `settings` name.

    Parameters
    ----------
    settings : PortSettings
        What to open and how.
    clock : Clock
        Stamps what comes.
    listener : PortListener
        Is told what comes.
    may_gather : bool
        Whether input may be taken, and stamped, up to `gathering.GATHERING_S` late where many ports are
        open; not for whoever measures silences.

    Raises
    ------
    PortUnavailableError
        If it cannot be opened; the message says what to do.
    """
    if settings.port.startswith(SOCKET_SCHEME):
        return await _open_socket(settings, clock, listener)
    return _SerialPort(settings, clock, listener, may_gather=may_gather)


def _broke(port: str, error: Exception) -> DriverBrokeError:
    """Return a listener's own mistake as what its reader is told."""
    broke = DriverBrokeError(
        f"the driver broke: {type(error).__name__}: {error}", subject=port, hint="Tell its author"
    )
    broke.__cause__ = error
    return broke


class _SerialPort:
    """A terminal device: configured by pyserial, watched by the event loop."""

    def __init__(
        self, settings: PortSettings, clock: Clock, listener: PortListener, *, may_gather: bool
    ) -> None:
        self._may_gather = may_gather
        self._name = settings.port
        self._clock = clock
        self._listener = listener
        self._loop = asyncio.get_running_loop()
        self._serial = _open_serial(settings)
        self._fd: int = self._serial.fileno()
        self._watching = False
        self._faults: tuple[int, ...] | None = self._fault_counts()
        self.resume()

    async def write(self, data: bytes) -> None:
        left = memoryview(data)
        while left:
            try:
                left = left[os.write(self._fd, left) :]
            except BlockingIOError:
                await self._writable()
            except OSError as error:
                raise PortLostError(f"the port is gone ({error.strerror})", subject=self._name) from error

    async def _writable(self) -> None:
        ready = asyncio.Event()
        self._loop.add_writer(self._fd, ready.set)
        try:
            await ready.wait()
        finally:
            self._loop.remove_writer(self._fd)

    def pause(self) -> None:
        if self._watching:
            if self._may_gather:
                leave(self._loop, self._fd)
            else:
                self._loop.remove_reader(self._fd)
            self._watching = False

    def resume(self) -> None:
        if not self._watching and self._serial.is_open:
            if self._may_gather:
                watch(self._loop, self._fd, self._readable)
            else:
                self._loop.add_reader(self._fd, self._readable)
            self._watching = True

    def close(self) -> None:
        if not self._serial.is_open:
            return
        self.pause()
        self._loop.remove_writer(self._fd)
        with contextlib.suppress(OSError):  # the device may be gone
            fcntl.ioctl(self._fd, termios.TIOCNXCL)
        with contextlib.suppress(OSError):
            self._serial.close()

    def _readable(self) -> None:
        try:
            data = os.read(self._fd, READ_BYTES)
        except BlockingIOError:
            return
        except OSError as error:
            self._lose(error.strerror or "input/output error")
            return
        boot_ms = self._clock.boot_ms()
        if not data:
            self._lose("hung up")
            return
        try:
            if self._faults is not None and (faults := self._fault_counts()) != self._faults:
                self._faults = faults
                self._listener.damaged(len(data))
            else:
                self._listener.received(boot_ms, data)
        except Exception as error:  # noqa: BLE001 # whoever reads must learn of it, else the cell waits for ever
            self.pause()
            self._listener.lost(_broke(self._name, error))

    def _lose(self, why: str) -> None:
        self.pause()
        self._listener.lost(
            PortLostError(
                f"the port went away ({why})", subject=self._name, hint="Check cable, adaptor and meter"
            )
        )

    def _fault_counts(self) -> tuple[int, ...] | None:
        # Pseudo-terminals and some adaptors keep no such counts.
        try:
            answer = fcntl.ioctl(self._fd, _TIOCGICOUNT, bytes(_ICOUNT.size))
        except OSError:
            return None
        return tuple(_ICOUNT.unpack(answer)[_ICOUNT_FAULTS])


def _open_serial(settings: PortSettings) -> serial.Serial:
    # The port is named last so that the constructor does not open it yet.
    line = serial.Serial(
        baudrate=settings.baud,
        bytesize=settings.data_bits,
        parity=_PARITY[settings.parity],
        stopbits=settings.stop_bits,
        xonxoff=settings.flow_control == "software",
        rtscts=settings.flow_control == "hardware",
        timeout=0,
        exclusive=True,
    )
    line.port = settings.port
    line.dtr = settings.dtr
    line.rts = settings.rts
    try:
        line.open()
        fd = line.fileno()
        # The advisory lock stops openers that ask for it; this stops all others (but not root).
        fcntl.ioctl(fd, termios.TIOCEXCL)
        attributes = termios.tcgetattr(fd)
        # With VMIN 0 a read without data looks like the end of the line.
        attributes[6][termios.VMIN] = 1
        if settings.parity != "none":
            attributes[0] |= termios.INPCK  # a byte with a parity error arrives as 0
        termios.tcsetattr(fd, termios.TCSANOW, attributes)
    except (OSError, ValueError, termios.error) as error:
        line.close()
        raise unavailable(settings.port, error) from error
    return line


class _SocketPort(asyncio.Protocol):
    """A TCP connection that passes a meter's bytes through."""

    def __init__(
        self, name: str, clock: Clock, listener: PortListener, *, max_silence_s: float | None = None
    ) -> None:
        self._name = name
        self._clock = clock
        self._listener = listener
        self._max_silence_s = max_silence_s
        self._silence: asyncio.TimerHandle | None = None
        self._transport: asyncio.Transport | None = None
        self._paced: asyncio.TimerHandle | None = None
        """Set while nothing is taken because too much came."""
        self._pace = Pace(MOST_BYTES_PER_S, AT_ONCE_S)
        self._wanted, self._closed = True, False
        self._may_write = asyncio.Event()
        self._may_write.set()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 - TCP gives nothing else
        self._transport = transport
        wire = transport.get_extra_info("socket")
        # A serial server that lost its power says no goodbye: probes after 10 s of silence, lost 15 s later.
        for level, option, value in _KEEPALIVE:
            wire.setsockopt(level, option, value)
        self._await_silence()

    def data_received(self, data: bytes) -> None:
        self._await_silence()
        try:
            self._listener.received(self._clock.boot_ms(), data)
        except Exception as error:  # noqa: BLE001 # as with a serial port
            self.close()
            self._listener.lost(_broke(self._name, error))
            return
        loop = asyncio.get_running_loop()
        ahead_s = self._pace.ahead_s(len(data), loop.time())
        if ahead_s > 0 and not self._closed:
            self._paced = loop.call_later(ahead_s, self._go_on)
            self._stop_reading()

    def _go_on(self) -> None:
        self._paced = None
        if self._wanted:
            self.resume()

    def pause_writing(self) -> None:
        self._may_write.clear()

    def resume_writing(self) -> None:
        self._may_write.set()

    def connection_lost(self, exc: Exception | None) -> None:
        self._lose(f"the connection was closed ({exc or 'by the other end'})")

    def _await_silence(self) -> None:
        if self._silence is not None:
            self._silence.cancel()
        if self._max_silence_s is not None:
            loop = asyncio.get_running_loop()
            self._silence = loop.call_later(self._max_silence_s, self._fell_silent)

    def _fell_silent(self) -> None:
        self._lose(f"nothing came over the connection for {self._max_silence_s:g} s")
        if self._transport is not None:
            self._transport.abort()

    def _lose(self, why: str) -> None:
        self._may_write.set()
        if self._silence is not None:
            self._silence.cancel()
        if not self._closed:
            self._closed = True
            self._listener.lost(
                PortLostError(why, subject=self._name, hint="Check the serial server and the network")
            )

    async def write(self, data: bytes) -> None:
        await self._may_write.wait()
        if self._closed or self._transport is None:
            raise PortLostError("the connection is closed", subject=self._name)
        self._transport.write(data)

    def pause(self) -> None:
        self._wanted = False
        self._stop_reading()

    def _stop_reading(self) -> None:
        if self._transport is not None and not self._closed:
            self._transport.pause_reading()
            if self._silence is not None:
                self._silence.cancel()  # we are the silent ones

    def resume(self) -> None:
        self._wanted = True
        if self._transport is None or self._closed or self._paced is not None:
            return
        if not self._transport.is_reading():
            self._transport.resume_reading()
            self._await_silence()

    def close(self) -> None:
        self._closed = True
        for timer in (self._silence, self._paced):
            if timer is not None:
                timer.cancel()
        if self._transport is not None:
            self._transport.abort()


async def _open_socket(settings: PortSettings, clock: Clock, listener: PortListener) -> Port:
    host, tcp_port = socket_address(settings.port)
    loop = asyncio.get_running_loop()
    try:
        async with asyncio.timeout(settings.connect_timeout_s):
            _, port = await loop.create_connection(
                lambda: _SocketPort(settings.port, clock, listener, max_silence_s=settings.max_silence_s),
                host,
                tcp_port,
            )
    except TimeoutError as error:
        raise PortUnavailableError(
            f"no connection within {settings.connect_timeout_s} s",
            subject=settings.port,
            hint="Check the serial server and the network",
        ) from error
    except OSError as error:
        raise PortUnavailableError(
            f"no connection ({in_words(error)})",
            subject=settings.port,
            hint="Check host, port and the serial server",
        ) from error
    return port
