"""A lock in each folder that results go to: two daemons in one folder would cut each other's lines."""

import errno
import fcntl
import os
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Self

import structlog

from quietcell.errors import ConfigError, spoken

NAME = ".quietcell.lock"


class FolderLocks:
    """Holds folders for this process; taking one again is no matter."""

    def __init__(self) -> None:
        self._held: dict[Path, int] = {}

    def __enter__(self) -> Self:
        """Return the locks, none held yet."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let go of all folders."""
        for descriptor in self._held.values():
            os.close(descriptor)
        self._held.clear()

    def take(self, folders: Iterable[Path]) -> None:
        """Take folders, making those that are not there.

        One that cannot be written now is left alone: its outlet tells so and tries again. One on a share that
        knows no locks is used without.

        Raises
        ------
        ConfigError
            If another daemon holds one of them.
        """
        for folder in folders:
            try:
                folder.mkdir(parents=True, exist_ok=True)
                path = folder.resolve() / NAME
                if path in self._held:
                    continue
                descriptor = _opened(path)
            except OSError as error:
                structlog.get_logger().warning("folder not locked", folder=str(folder), text=spoken(error))
                continue
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                os.close(descriptor)
                wrong = f"outlets.files: another quietcell writes to {folder}"
                raise ConfigError([f"{wrong}; give this one a folder of its own"]) from error
            except OSError as error:  # a share that knows no locks
                os.close(descriptor)
                structlog.get_logger().warning("folder not locked", folder=str(folder), text=spoken(error))
                continue
            self._held[path] = descriptor


def _opened(path: Path) -> int:
    """Open the lock, this user's alone: who takes the files must not keep the daemon from starting."""
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
    if os.geteuid() in (0, os.fstat(descriptor).st_uid):
        return descriptor
    os.close(descriptor)
    raise OSError(errno.EPERM, "belongs to another user; remove it", str(path))
