"""What lies beside the configuration: secrets and certificates in files, folders, ports."""

import hashlib
import os
import ssl
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from quietcell.config import Config, check_private, file_fault, read_secret
from quietcell.config.outlets import SecretReference, TlsSettings
from quietcell.errors import ConfigError, LedgerError
from quietcell.ledger.file_system import refuse_network

_TLS = "outlets.mqtt.tls"


def secret(key: str, reference: SecretReference) -> str:
    """Return the secret that `key` refers to.

    Raises
    ------
    ConfigError
        If it cannot be had.
    """
    return read_secret(key, credential=reference.credential, file=reference.file).get_secret_value()


def tls_context(tls: TlsSettings) -> ssl.SSLContext:
    """Return what a connection is encrypted with.

    Raises
    ------
    ConfigError
        If a certificate or key cannot be had.
    """
    for name in ("ca", "cert", "key"):
        _read(f"{_TLS}.{name}", getattr(tls, name))
    if tls.key is not None:
        check_private(f"{_TLS}.key", tls.key)
    return _loaded(tls)


def _loaded(tls: TlsSettings) -> ssl.SSLContext:
    try:
        context = ssl.create_default_context(cafile=tls.ca)
    except ssl.SSLError as error:
        raise ConfigError([f"{_TLS}.ca: {tls.ca} holds no certificate in PEM form"]) from error
    if tls.cert is not None and tls.key is not None:
        _load_own(context, tls.cert, tls.key)
    return context


def _read(key: str, path: Path | None) -> bytes:
    """Return what a file holds that `key` names, nothing where none is named."""
    try:
        return b"" if path is None else path.read_bytes()
    except OSError as error:
        raise ConfigError([f"{key}: {path} cannot be read: {error.strerror}"]) from error


def _load_own(context: ssl.SSLContext, cert: Path, key: Path) -> None:
    def asked_for_passphrase() -> str:  # else the library asks at the terminal, and the daemon stands still
        wrong = f"{_TLS}.key: {key} is locked by a passphrase, and there is nobody to type it"
        raise ConfigError([f"{wrong}; store the key without one, mode 0600"])

    try:
        context.load_cert_chain(cert, key, password=asked_for_passphrase)
    except ssl.SSLError as error:
        if error.reason == "KEY_VALUES_MISMATCH":
            fault = f"{_TLS}.key: {key} does not belong to the certificate in {cert}"
        else:
            fault = f"{_TLS}.cert: {cert} and {key} are no certificate and key in PEM form"
        raise ConfigError([fault]) from error


def kept_beside(config: Config) -> dict[str, bytes]:
    """Return a hash of each secret and certificate that is kept elsewhere, by the key that names it.

    So a reload sees that one was renewed where the configuration says the same as before.

    Raises
    ------
    ConfigError
        Names every one that cannot be had.
    """
    reads: dict[str, Callable[[], bytes]] = {
        key: partial(_secret, key, reference) for key, reference in _secrets(config).items()
    }
    tls = None if config.outlets.mqtt is None else config.outlets.mqtt.tls
    if tls is not None:
        reads |= {
            f"{_TLS}.{name}": partial(_read, f"{_TLS}.{name}", path) for name, path in _certificates(tls)
        }
    found: dict[str, bytes] = {}
    faults: list[str] = []
    for key, read in reads.items():
        try:
            found[key] = hashlib.sha256(read()).digest()
        except ConfigError as error:
            faults += error.faults
    if tls is not None and not any(fault.startswith(_TLS) for fault in faults):
        try:
            tls_context(tls)
        except ConfigError as error:
            faults += error.faults
    if faults:
        raise ConfigError(faults)
    return found


def _secret(key: str, reference: SecretReference) -> bytes:
    return secret(key, reference).encode()


def looked_at(config: Config) -> tuple[list[str], list[str]]:
    """Look at the files as whoever writes the configuration can, who need not be the daemon's user.

    Returns
    -------
    faults : list of str
        What would keep the daemon from its start, each behind its key.
    unseen : list of str
        What this user may not read or write, credentials, ports and recordings that are not there now,
        meters asked too seldom, and columns that stay empty, each behind its key.
    """
    mqtt = config.outlets.mqtt
    tls = None if mqtt is None else mqtt.tls
    files = {
        key: reference.file
        for key, reference in _secrets(config).items()
        if reference.credential is None  # else handed over at the start, and the file stands in for it
    }
    files |= {} if tls is None else {f"{_TLS}.{name}": path for name, path in _certificates(tls)}
    faults = _wrong_folders(config)
    unseen = [
        *_closed_folders(config),
        *_handed_over(config),
        *_ports_away(config),
        *_files_away(config),
        *_read_too_seldom(config),
        *_empty_columns(config),
    ]
    for key, path in files.items():
        if path is None:
            continue
        if wrong := file_fault(path, private=not key.endswith((".ca", ".cert"))):
            faults.append(f"{key}: {wrong}")
        elif not os.access(path, os.R_OK):
            unseen.append(f"{key}: {path} cannot be read by you; the daemon's user must be able to")
    if tls is not None and not any(each.startswith(_TLS) for each in (*faults, *unseen)):
        try:
            _loaded(tls)
        except ConfigError as error:
            faults += error.faults
    return faults, unseen


def _folders(config: Config) -> dict[str, Path]:
    files = config.outlets.files
    folders = {"store.folder": config.store.folder}
    if files is not None:
        folders |= {"outlets.files.folder": files.folder}
        folders |= {"outlets.files.drop_folder": files.drop_folder} if files.drop_folder else {}
    return folders


def _closed_folders(config: Config) -> list[str]:
    """Name the folders this user can neither write nor make."""
    nearest = {
        key: next(each for each in (path, *path.absolute().parents) if os.path.isdir(each))  # noqa: PTH112 # the method raises where one may not look
        for key, path in _folders(config).items()
    }
    return [
        f"{key}: in {path} nothing can be written by you; the daemon's user must be able to"
        for key, path in nearest.items()
        if not os.access(path, os.W_OK | os.X_OK)
    ]


def _handed_over(config: Config) -> list[str]:
    return [
        f"{key}: credential {reference.credential} is handed over at a start, and not looked at here"
        for key, reference in _secrets(config).items()
        if reference.credential is not None
    ]


def _wrong_folders(config: Config) -> list[str]:
    folders = _folders(config)
    files_there = [key for key, path in folders.items() if os.path.isfile(path)]  # noqa: PTH113 # the method raises where one may not look
    wrong = [f"{key}: {folders[key]} is a file; must be a folder" for key in files_there]
    try:
        refuse_network(config.store.folder)
    except LedgerError as error:
        wrong.append(f"store.folder: {error}")
    return wrong


def _ports_away(config: Config) -> list[str]:
    ports = {name: cell.settings.sole_port() for name, cell in config.cells.items() if cell.settings}
    return [
        f"cells.{name}.settings: port {port} is not there now; `quietcell ports` lists those that are"
        for name, port in ports.items()
        if port is not None and port.startswith("/") and not _is_there(port)
    ]


def _files_away(config: Config) -> list[str]:
    return [
        f"cells.{name}.settings: there is no file {path} now"
        for name, cell in config.cells.items()
        for path in (cell.settings.files() if cell.settings else ())
        if not _is_there(path)
    ]


def _read_too_seldom(config: Config) -> Iterator[str]:
    """Name the cells whose meter is asked too seldom for what they shall meet."""
    for name, cell in config.cells.items():
        every_s = None if cell.settings is None else cell.settings.reads_every_s()
        needed = {
            "criterion": config.criterion_of(name),
            "buffer_criterion": config.buffer_criterion_of(name),
        }
        for key, criterion in needed.items():
            if every_s is not None and every_s > criterion.longest_interval_s:
                yield (
                    f"cells.{name}.settings: a reading every {every_s:g} s never fills the window of "
                    f'{key} = "{getattr(cell, key)}": min_readings = {criterion.min_readings} in window_s = '
                    f"{criterion.window_s:g}, max_gap_s = {criterion.max_gap_s:g}; ask more often, or give a "
                    "criterion with longer ones"
                )


def _empty_columns(config: Config) -> Iterator[str]:
    """Name the columns of the CSV files that no row will fill."""
    csv = None if config.outlets.files is None else config.outlets.files.csv
    if csv is None:
        return
    if csv.columns is None:
        if others := [kind for kind in csv.records if kind != "determination"]:
            yield (
                f"outlets.files.csv.records: rows of {', '.join(others)} have the columns of a "
                "determination, most of them empty; name columns of their own"
            )
        return
    from quietcell.service.interface.columns import never_filled  # noqa: PLC0415 # only where it is asked

    for path in never_filled([column.path for column in csv.columns], csv.records):
        kinds = ", ".join(csv.records)
        yield f"outlets.files.csv.columns: {path!r} is no field of {kinds}; the column stays empty"


def _is_there(path: str | Path) -> bool:
    return os.path.exists(path)  # noqa: PTH110 # the method raises where one may not look


def _secrets(config: Config) -> dict[str, SecretReference]:
    mqtt, panel = config.outlets.mqtt, config.panel
    references = {
        "outlets.mqtt.password": None if mqtt is None else mqtt.password,
        "panel.token": None if panel is None else panel.token,
    }
    return {key: reference for key, reference in references.items() if reference is not None}


def _certificates(tls: TlsSettings) -> list[tuple[str, Path | None]]:
    return [("ca", tls.ca), ("cert", tls.cert), ("key", tls.key)]
