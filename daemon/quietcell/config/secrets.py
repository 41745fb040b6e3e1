"""Secrets by reference: read when needed, masked when shown, never part of the configuration."""

import os
import stat
from collections.abc import Mapping
from pathlib import Path

from pydantic import SecretStr

from quietcell.errors import ConfigError

CREDENTIAL_PATTERN = r"^[A-Za-z0-9_][A-Za-z0-9._-]*$"
"""Name of a credential: one file name, never a path."""
LARGEST_SECRET_BYTES = 64 * 1024


def read_secret(
    key: str, *, credential: str | None, file: Path | None, environ: Mapping[str, str] = os.environ
) -> SecretStr:
    """Return the secret that `key` of the configuration refers to.

    Parameters
    ----------
    key : str
        Key of the configuration, for messages.
    credential : str or None
        Name of a file in the folder that ``CREDENTIALS_DIRECTORY`` names; looked for first.
    file : Path or None
        File with the secret; its mode must be 0600 or tighter and its owner this user or root.
    environ : Mapping
        Environment of the process.

    Returns
    -------
    SecretStr
        The first line, without its end.

    Raises
    ------
    ConfigError
        If neither can be read, the file is open to others, or it is not one line of text.
    """
    lacking = ""
    if credential is not None:
        folder = environ.get("CREDENTIALS_DIRECTORY", "")
        path = Path(folder) / credential
        if folder and path.exists():
            return _one_line(key, path, _read(key, path))
        lacking = _not_handed_over(credential, Path(folder)) if folder else _no_credentials(credential)
    if file is None:
        raise ConfigError([f"{key}: {lacking}"])
    try:
        return _one_line(key, file, _read(key, file, private=True))
    except ConfigError as error:
        raise ConfigError([f"{fault}{lacking and f'; and {lacking}'}" for fault in error.faults]) from error


def _no_credentials(credential: str) -> str:
    wrong = f"credential {credential} cannot be had: CREDENTIALS_DIRECTORY is not set"
    return f'{wrong}; start the daemon with LoadCredential={credential}:PATH, or add file = "PATH"'


def _not_handed_over(credential: str, folder: Path) -> str:
    there = ", ".join(sorted(path.name for path in folder.iterdir())) if folder.is_dir() else ""
    hint = "One added since comes with a restart, not with a reload"
    return f"credential {credential} was not handed over at the start; these were: {there or 'none'}. {hint}"


def check_private(key: str, path: Path) -> None:
    """Refuse a file that others may read or that someone else owns.

    Raises
    ------
    ConfigError
        If it cannot be opened, is no plain file, or its mode or owner is wrong.
    """
    os.close(_open(key, path, private=True))


def file_fault(path: Path, *, private: bool) -> str:
    """Say what is wrong with a file whoever reads it; nothing where this user may not look.

    Parameters
    ----------
    path : Path
        The file.
    private : bool
        Nobody but its owner may read it.
    """
    try:
        status = path.stat()
    except PermissionError:
        return ""
    except (OSError, ValueError) as error:
        return f"{path} cannot be read: {getattr(error, 'strerror', error)}"
    return _fault(status, path, private=private, owners=None)


def _open(key: str, path: Path, *, private: bool) -> int:
    try:
        # Without O_NONBLOCK a named pipe in the file's place would hold the daemon for ever.
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except (OSError, ValueError) as error:
        raise ConfigError([f"{key}: {path} cannot be read: {getattr(error, 'strerror', error)}"]) from error
    wrong = _fault(os.fstat(descriptor), path, private=private, owners={os.geteuid(), 0})
    if wrong:
        os.close(descriptor)
        raise ConfigError([f"{key}: {wrong}"])
    return descriptor


def _fault(status: os.stat_result, path: Path, *, private: bool, owners: set[int] | None) -> str:
    """Say what is wrong with the file itself; empty when nothing is."""
    if not stat.S_ISREG(status.st_mode):
        return f"{path} is not a plain file"
    if private and owners is not None and status.st_uid not in owners:
        return f"{path} belongs to user {status.st_uid}; must belong to user {os.geteuid()} or to root"
    mode = stat.S_IMODE(status.st_mode)
    if private and mode & 0o177:
        return f"{path} has mode {mode:04o}; must be 0600 or tighter: chmod 600 {path}"
    return ""


def _read(key: str, path: Path, *, private: bool = False) -> bytes:
    with os.fdopen(_open(key, path, private=private), "rb") as stream:
        return stream.read(LARGEST_SECRET_BYTES + 1)


def _one_line(key: str, path: Path, content: bytes) -> SecretStr:
    """Return the content as text without its line end; never shows it in a message."""
    try:
        text = content.decode().removesuffix("\n").removesuffix("\r")
    except UnicodeDecodeError:
        raise ConfigError([f"{key}: {path} is not UTF-8 text"]) from None
    if not text or len(content) > LARGEST_SECRET_BYTES or "\n" in text or "\0" in text:
        raise ConfigError([f"{key}: {path} must hold the secret on one line, and nothing else"])
    return SecretStr(text)
