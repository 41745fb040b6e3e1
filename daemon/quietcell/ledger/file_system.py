"""Where a ledger may lie: SQLite's log needs shared memory and locks that network shares do not keep."""

import os
import re
from pathlib import Path
from typing import Final

from quietcell.errors import LedgerError

MOUNTS: Final = Path("/proc/self/mountinfo")
NETWORK: Final = frozenset(
    {"9p", "afs", "ceph", "cifs", "coda", "fuse.glusterfs", "fuse.rclone", "fuse.s3fs", "fuse.sshfs", "gfs2",
     "lustre", "ncpfs", "nfs", "nfs4", "ocfs2", "smb3", "smbfs", "virtiofs"}
)  # fmt: skip
"""Types of file systems that other machines write as well."""


def type_of(folder: Path, mounts: str) -> str:
    """Return the type of the file system a folder lies on, empty when it can't be told.

    Parameters
    ----------
    folder : Path
        Resolved.
    mounts : str
        As the kernel tells them (``/proc/self/mountinfo``, proc(5)); the last mount of a place counts.
    """
    best, found = -1, ""
    for line in mounts.splitlines():
        before, dash, behind = line.partition(" - ")
        words = before.split(" ")
        if not dash or len(words) < 5:
            continue
        place = re.sub(r"\\([0-7]{3})", lambda octal: chr(int(octal[1], 8)), words[4])
        depth = len(Path(place).parts)
        if depth >= best and folder.is_relative_to(place):
            best, found = depth, behind.split(" ")[0]
    return found


def refuse_network(folder: Path) -> None:
    """Refuse a folder on a network file system.

    Raises
    ------
    LedgerError
        If it lies on one.
    """
    try:
        mounts = MOUNTS.read_text(encoding="utf-8", errors="surrogateescape")
    except OSError:
        return  # not Linux: nobody tells
    found = type_of(Path(os.path.realpath(folder)), mounts)
    if found in NETWORK:
        raise LedgerError(
            f"lies on a network file system ({found}), where a commit can be lost",
            subject=str(folder),
            hint="Choose a folder on a local disk; a backup may go to the share",
        )
