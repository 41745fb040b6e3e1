"""The outlets a configuration asks for."""

import hashlib
import ssl
from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING

from quietcell.config import Config, check_private, read_secret
from quietcell.config.outlets import CsvSettings, MqttSettings, SecretReference
from quietcell.core.records import Json
from quietcell.errors import ConfigError
from quietcell.ledger.chain import Stored
from quietcell.ledger.cursors import Cursors
from quietcell.ledger.ledger import Ledger
from quietcell.outlets.csv_format import DETERMINATION_COLUMNS, Column, CsvFormat
from quietcell.outlets.files import DailyFiles, DropFolder, Sheet
from quietcell.outlets.follower import FileOutlet

if TYPE_CHECKING:
    from quietcell.outlets.mqtt import MqttOutlet
    from quietcell.outlets.mqtt_library import Broker


def outlets_of(
    config: Config, ledger: Ledger, cursors: Cursors
) -> "tuple[list[FileOutlet], MqttOutlet | None]":
    """Return the outlets that write files, and the one to a broker if there is one.

    Raises
    ------
    ConfigError
        If a secret or certificate cannot be had.
    """
    return file_outlets(config, ledger, cursors), mqtt_outlet(config, ledger, cursors)


def result_folders(config: Config) -> list[Path]:
    """Return the folders that files go to; each belongs to one daemon alone."""
    settings = config.outlets.files
    if settings is None:
        return []
    return [settings.folder, *([settings.drop_folder] if settings.drop_folder else [])]


def file_outlets(config: Config, ledger: Ledger, cursors: Cursors) -> list[FileOutlet]:
    """Return the outlets that write files."""
    settings = config.outlets.files
    if settings is None:
        return []
    writers: list[DailyFiles | DropFolder] = []
    if "jsonl" in settings.formats:
        writers.append(DailyFiles(settings.folder, json_sheet(settings.records), cursors))
    if "csv" in settings.formats:
        writers.append(DailyFiles(settings.folder, csv_sheet(settings.csv), cursors))
    if settings.drop_folder is not None:
        writers.append(DropFolder(settings.drop_folder, cursors))
    return [FileOutlet(ledger, writer) for writer in writers]


def json_sheet(kinds: Collection[str] | None = None) -> Sheet:
    """Return the sheet with records as stored, one a line; of some kinds only if any are named."""

    def line(record: Stored, envelope: dict[str, Json]) -> str | None:
        wanted = kinds is None or envelope["body"]["record"] in kinds
        return record.text + "\n" if wanted else None

    return Sheet(name="files.jsonl", stem="records", suffix="jsonl", header="", line=line)


def csv_sheet(settings: CsvSettings) -> Sheet:
    """Return the sheet with flat fields in the integrator's form."""
    columns = settings.columns
    form = CsvFormat(
        columns=DETERMINATION_COLUMNS
        if columns is None
        else [Column(path=c.path, name=c.name, decimals=c.decimals) for c in columns],
        delimiter=settings.delimiter,
        decimal_comma=settings.decimal_comma,
    )

    def line(_record: Stored, envelope: dict[str, Json]) -> str | None:
        body = envelope["body"]
        if body["record"] not in settings.records:
            return None
        return form.row({**body, "ledger": envelope["ledger"], "seq": envelope["seq"]})

    return Sheet(name="files.csv", stem="determinations", suffix="csv", header=form.header(), line=line)


def mqtt_outlet(config: Config, ledger: Ledger, cursors: Cursors) -> "MqttOutlet | None":
    """Return the outlet to a broker, secrets read, or None.

    Raises
    ------
    ConfigError
        If a secret or certificate cannot be had.
    """
    settings = config.outlets.mqtt
    if settings is None:
        return None
    from quietcell.outlets.mqtt import MqttOutlet  # noqa: PLC0415 # who has no broker starts sooner

    site = config.site.name
    return MqttOutlet(site, _broker(settings, site), ledger, cursors)


def _broker(settings: MqttSettings, site: str) -> "Broker":
    from quietcell.outlets.mqtt_library import Broker  # noqa: PLC0415 # as above

    password = None
    if settings.password is not None:
        password = _secret("outlets.mqtt.password", settings.password)
    return Broker(
        host=settings.host,
        port=settings.port,
        client_id=settings.client_id or f"quietcell-{site}",
        protocol=settings.protocol,
        username=settings.username,
        password=password,
        tls=_tls(settings),
        keepalive_s=settings.keepalive_s,
    )


def _tls(settings: MqttSettings) -> ssl.SSLContext | None:
    tls = settings.tls
    if tls is None:
        return None
    for name in ("ca", "cert", "key"):
        _read(f"outlets.mqtt.tls.{name}", getattr(tls, name))
    try:
        context = ssl.create_default_context(cafile=tls.ca)
    except ssl.SSLError as error:
        raise ConfigError([f"outlets.mqtt.tls.ca: {tls.ca} holds no certificate in PEM form"]) from error
    if tls.cert is not None and tls.key is not None:
        check_private("outlets.mqtt.tls.key", tls.key)
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
        wrong = f"outlets.mqtt.tls.key: {key} is locked by a passphrase, and there is nobody to type it"
        raise ConfigError([f"{wrong}; store the key without one, mode 0600"])

    try:
        context.load_cert_chain(cert, key, password=asked_for_passphrase)
    except ssl.SSLError as error:
        if error.reason == "KEY_VALUES_MISMATCH":
            fault = f"outlets.mqtt.tls.key: {key} does not belong to the certificate in {cert}"
        else:
            fault = f"outlets.mqtt.tls.cert: {cert} and {key} are no certificate and key in PEM form"
        raise ConfigError([fault]) from error


def kept_beside(config: Config) -> dict[str, bytes]:
    """Return a hash of each secret and certificate that lies in a file of its own, by the key that names it.

    So a reload sees that one was renewed where the configuration says the same as before.

    Raises
    ------
    ConfigError
        If one cannot be read.
    """
    mqtt, panel = config.outlets.mqtt, config.panel
    found: dict[str, bytes] = {}
    if mqtt is not None and mqtt.password is not None:
        found["outlets.mqtt.password"] = _secret("outlets.mqtt.password", mqtt.password).encode()
    if panel is not None and panel.token is not None:
        found["panel.token"] = _secret("panel.token", panel.token).encode()
    if mqtt is not None and mqtt.tls is not None:
        keys = {f"outlets.mqtt.tls.{name}": getattr(mqtt.tls, name) for name in ("ca", "cert", "key")}
        found |= {key: _read(key, path) for key, path in keys.items()}
    return {key: hashlib.sha256(content).digest() for key, content in found.items()}


def _secret(key: str, reference: SecretReference) -> str:
    return read_secret(key, credential=reference.credential, file=reference.file).get_secret_value()
