"""Settings that say where a meter is connected; shared by the drivers that open a port."""

import re
from typing import Literal
from urllib.parse import urlsplit

from pydantic import Field, field_validator

from quietcell.contracts import DriverSettings

SOCKET_SCHEME = "socket://"


def socket_address(port: str) -> tuple[str, int]:
    """Return host and TCP port of ``socket://host:port``.

    Raises
    ------
    ValueError
        If it is not of that form.
    """
    parts = urlsplit(port)
    if not parts.hostname or not parts.port or parts.path or parts.query:
        raise ValueError(f"{port!r} is not of the form socket://host:port, port 1 to 65535")
    return parts.hostname, parts.port


class PortSettings(DriverSettings):
    """Where the meter is and how its line is set; what follows `port` counts for serial lines only."""

    port: str = Field(
        min_length=1,
        description="Device of the serial line, best by a name that stays (/dev/serial/by-id/... or "
        "by-path/...), or socket://host:port for a serial server that passes bytes through.",
    )
    baud: int = Field(default=9600, ge=50, le=4_000_000, description="Speed of the line in bit/s.")
    data_bits: Literal[5, 6, 7, 8] = Field(default=8, description="Data bits of a character.")
    parity: Literal["none", "even", "odd"] = Field(default="none", description="none, even or odd.")
    stop_bits: Literal[1, 2] = Field(default=1, description="Stop bits of a character.")
    flow_control: Literal["none", "software", "hardware"] = Field(
        default="none", description="software is XON/XOFF, hardware is RTS/CTS."
    )
    dtr: bool = Field(
        default=True, description="Level of DTR after opening; isolated interfaces draw power from it."
    )
    rts: bool = Field(
        default=True, description="Level of RTS after opening; isolated interfaces draw power from it."
    )
    connect_timeout_s: float = Field(
        default=5.0, gt=0, le=120, description="Longest wait in s for a socket:// connection."
    )
    max_silence_s: float | None = Field(
        default=None,
        gt=0,
        le=86400,
        description="Silence in s after which a socket:// connection is taken for dead and opened anew; more "
        "than the meter ever pauses. Left out: only what TCP itself notices within half a minute.",
    )

    def sole_port(self) -> str | None:
        """Return the device, which is opened for one alone; many serial servers serve several."""
        return None if self.port.startswith(SOCKET_SCHEME) else self.port

    @field_validator("port")
    @classmethod
    def _socket_is_whole(cls, port: str) -> str:
        if port.startswith(SOCKET_SCHEME):
            socket_address(port)
        elif "://" in port:
            raise ValueError(f"{port!r}: allowed are a device file and socket://host:port")
        elif re.fullmatch(r"[^/]+:[0-9]+", port):
            raise ValueError(f"{port!r}: a serial server is named socket://host:port; write socket://{port}")
        return port
