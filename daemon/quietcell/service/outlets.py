"""The outlets a configuration asks for."""

from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING

from quietcell.config import Config
from quietcell.config.outlets import CsvSettings, MqttSettings
from quietcell.core.records import Json
from quietcell.ledger.chain import Stored
from quietcell.ledger.cursors import Cursors
from quietcell.ledger.ledger import Ledger
from quietcell.outlets.csv_format import DETERMINATION_COLUMNS, Column, CsvFormat
from quietcell.outlets.files import DailyFiles, DropFolder, Sheet
from quietcell.outlets.follower import FileOutlet
from quietcell.service.beside import secret, tls_context

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
        return form.row({**envelope, **body, "ledger": envelope["ledger"], "seq": envelope["seq"]})

    return Sheet(
        name="files.csv",
        stem="determinations",
        suffix="csv",
        header=form.header(),
        line=line,
        form="decimal-comma" if form.decimal_comma else "decimal-point",
    )


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
    from quietcell.outlets.mqtt_library import Broker  # noqa: PLC0415 # who has no broker starts sooner

    password = None
    if settings.password is not None:
        password = secret("outlets.mqtt.password", settings.password)
    return Broker(
        host=settings.host,
        port=settings.port,
        client_id=settings.client_id or f"quietcell-{site}",
        protocol=settings.protocol,
        username=settings.username,
        password=password,
        tls=None if settings.tls is None else tls_context(settings.tls),
        keepalive_s=settings.keepalive_s,
    )
