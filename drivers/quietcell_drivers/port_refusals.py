"""Why a port cannot be opened: what the system says, in words, with what to do."""

import errno
import grp
import os
import re
import stat

from quietcell.errors import PortUnavailableError

_GROUP_MAY = stat.S_IRGRP | stat.S_IWGRP


def _error_number(error: BaseException | None) -> int | None:
    # pyserial wraps what the system said, sometimes without its number; termios errors have no errno.
    while error is not None:
        number = error.errno if isinstance(error, OSError) else next(iter(error.args), None)
        if isinstance(number, int):
            return number
        error = error.__cause__ or error.__context__
    return None


def unavailable(port: str, error: Exception) -> PortUnavailableError:
    """Return why a serial port cannot be opened, and what to do."""
    code = _error_number(error)
    if code in {errno.EAGAIN, errno.EBUSY}:
        return PortUnavailableError(
            "the port is in use by another program or cell",
            subject=port,
            hint="One reader only: stop the other",
        )
    if code == errno.EPERM:  # not by the file's mode
        return PortUnavailableError(
            "not permitted to this service or container",
            subject=port,
            hint="Allow the device by DeviceAllow= or --device-cgroup-rule",
        )
    if code == errno.EACCES:
        return _not_allowed(port)
    if code in {errno.ENOENT, errno.ENXIO, errno.ENODEV}:
        return PortUnavailableError(
            "there is no such port", subject=port, hint="Is the adaptor plugged in? Is the name right?"
        )
    if code == errno.ENOTTY:
        return PortUnavailableError("this is not a serial port", subject=port, hint="Name a terminal device")
    return PortUnavailableError(
        f"the port cannot be opened ({error})", subject=port, hint="Check port, baud, data_bits and parity"
    )


def _not_allowed(port: str) -> PortUnavailableError:
    try:
        status = os.stat(port)  # noqa: PTH116 - a device name, not a path we work with
        group = grp.getgrgid(status.st_gid).gr_name
    except (OSError, KeyError):
        return PortUnavailableError("permission denied", subject=port, hint="Ask who runs this machine")
    if group == "root" or status.st_mode & _GROUP_MAY != _GROUP_MAY:
        return PortUnavailableError(
            f"permission denied: mode {stat.S_IMODE(status.st_mode):04o}, group {group!r}",
            subject=port,
            hint='Let a udev rule give it to the group of serial ports: GROUP="dialout", MODE="0660"',
        )
    return PortUnavailableError(
        f"permission denied: the port belongs to group {group!r}",
        subject=port,
        hint=f"Join that group (sudo usermod -aG {group} USER) and log in again",
    )


def in_words(error: OSError) -> str:
    """Return why a connection cannot be made."""
    # asyncio puts addresses in the place of the system's words, and one number behind the other.
    numbers = [error.errno] if error.errno else map(int, re.findall(r"\[Errno ([0-9]+)\]", str(error)))
    words = dict.fromkeys(os.strerror(number) for number in numbers if number > 0)
    return ", ".join(words) or error.strerror or str(error)
