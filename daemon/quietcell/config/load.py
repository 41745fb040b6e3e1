"""From TOML text to a checked configuration, or to all its faults at once."""

import json
import math
import os
import re
import tomllib
from collections.abc import Iterable
from datetime import date, datetime, time
from pathlib import Path as FilePath
from typing import Any

from pydantic import ValidationError

from quietcell.config.faults import SECRET_KEY, FaultList, meant, shown
from quietcell.config.lines import DEEPEST_NESTING, LineIndex, Path
from quietcell.config.model import Config
from quietcell.contracts import DriverSettings, DriverTable
from quietcell.core.endpoint.criterion import SHIPPED
from quietcell.errors import ConfigError, DriverError

LARGEST_FILE_BYTES = 256 * 1024
LONGEST_LINE = 1000
"""The standard parser takes time in the square of a dotted key's length."""
LARGEST_INTEGER = 2**53 - 1
"""Beyond it JSON readers differ."""


def load_config(path: FilePath, drivers: DriverTable) -> Config:
    """Read and check a configuration file.

    Parameters
    ----------
    path : Path
        The file; relative paths in it start at its folder.
    drivers : DriverTable
        Known drivers by name; only those the file names are looked up.

    Returns
    -------
    Config
        The configuration, driver settings included.

    Raises
    ------
    ConfigError
        If the file cannot be read or anything in it is wrong; one line per fault.
    """
    return parse_config(_text(path), str(path), drivers)


def with_lines(path: FilePath, faults: Iterable[str]) -> list[str]:
    """Return faults that name a key of a sound configuration file with its line, in order of lines."""
    lines = LineIndex(_text(path).replace("\r\n", "\n"))
    placed = [(lines.line(tuple(fault.partition(":")[0].split("."))), fault) for fault in faults]
    return [f"{path}:{line}: {fault}" for line, fault in sorted(placed)]


def _text(path: FilePath) -> str:
    try:
        with path.open("rb") as stream:
            content = stream.read(LARGEST_FILE_BYTES + 1)
    except (OSError, ValueError) as error:
        raise ConfigError([f"{path}: cannot be read: {getattr(error, 'strerror', error)}"]) from error
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        byte = f"byte 0x{content[error.start]:02X}"
        raise ConfigError([f"{path}:{line}: configuration: {byte} is not UTF-8; save it as UTF-8"]) from error


def parse_config(text: str, filename: str, drivers: DriverTable) -> Config:
    """Check a configuration given as TOML text.

    Parameters
    ----------
    text : str
        The text.
    filename : str
        Name for messages; its folder is where relative paths start.
    drivers : DriverTable
        Known drivers by name; only those the text names are looked up.

    Returns
    -------
    Config
        The configuration, driver settings included.

    Raises
    ------
    ConfigError
        With all faults, each as ``file:line: key: what is wrong, what is allowed``.
    """
    # TOML reads both line ends alike, and so must everything that counts lines.
    text = text.replace("\r\n", "\n")
    try:
        document = _document(text, filename)
        faults = FaultList(filename, document, LineIndex(text))
    except RecursionError:
        raise ConfigError([f"{filename}:1: configuration: is nested too deeply"]) from None
    plain = _plain(document, (), faults)
    context = {"folder": FilePath(filename).parent}
    settings = _driver_settings(plain, drivers, faults, context)
    _check_ports(settings, faults)
    _check_names(plain, faults)
    try:
        config = Config.model_validate_json(json.dumps(_without_settings(plain)), context=context)
    except ValidationError as error:
        faults.add_all(error, Config)
    else:
        _check_folders(config, faults)
        faults.raise_if_any()
        cells = {
            name: cell.model_copy(update={"settings": settings.get(name)})
            for name, cell in config.cells.items()
        }
        return config.model_copy(update={"cells": cells})
    faults.raise_if_any()
    raise AssertionError("a validation error without a fault")  # add_all notes at least one


def _document(text: str, filename: str) -> dict[str, Any]:
    """Parse TOML; the parser stops at its first fault."""
    if len(text) > LARGEST_FILE_BYTES:
        raise ConfigError([f"{filename}:1: configuration: is larger than {LARGEST_FILE_BYTES // 1024} KiB"])
    for number, row in enumerate(text.split("\n"), 1):
        if len(row) > LONGEST_LINE:
            wrong = f"this line has more than {LONGEST_LINE} characters"
            raise ConfigError([f"{filename}:{number}: configuration: {wrong}"])
    try:
        text.encode()
        return tomllib.loads(text)
    except ValueError as error:
        # Before Python 3.14 the place stands only in the message.
        place = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", str(error))
        rows = text.split("\n")
        line = len(rows)
        wrong = str(error)
        if place:
            line = int(place[1] or line)
            wrong = wrong[: place.start()]
            rest = rows[line - 1][int(place[2]) - 1 :].rstrip("\r") if place[2] else ""
            if rest and not SECRET_KEY.search(rows[line - 1]):
                wrong = f"{wrong}, at {rest[:20]!r}"
        elif not isinstance(error, tomllib.TOMLDecodeError):
            line, wrong = 1, "a number is too long, or a character is no Unicode text"
        raise ConfigError([f"{filename}:{line}: configuration: is not TOML: {wrong}"]) from error


def _plain(value: Any, path: Path, faults: FaultList) -> Any:
    """Return the document as JSON values; note what no key may hold."""
    if len(path) > DEEPEST_NESTING:
        faults.add(path[:DEEPEST_NESTING], f"is nested deeper than {DEEPEST_NESTING} levels")
        return None
    if isinstance(value, dict):
        return {key: _plain(inner, (*path, key), faults) for key, inner in value.items()}
    if isinstance(value, list):
        return [_plain(inner, (*path, i), faults) for i, inner in enumerate(value)]
    if isinstance(value, (datetime, date, time)):
        return value.isoformat()
    if isinstance(value, float) and not math.isfinite(value):
        faults.add(path, f"is {value}; must be a finite number")
        return 0
    if isinstance(value, int) and abs(value) > LARGEST_INTEGER:
        faults.add(path, f"is an integer of {value.bit_length()} bits; must have at most 53")
        return 0
    return value


def _tables(document: dict[str, Any], section: str) -> dict[str, dict[str, Any]]:
    """Return the tables below `section` that are tables."""
    inner = document.get(section)
    return {k: v for k, v in inner.items() if isinstance(v, dict)} if isinstance(inner, dict) else {}


def _driver_settings(
    document: dict[str, Any], drivers: DriverTable, faults: FaultList, context: dict[str, FilePath]
) -> dict[str, DriverSettings]:
    """Check every cell's driver and its settings; return the settings by cell."""
    checked = {}
    for name, cell in _tables(document, "cells").items():
        path: Path = ("cells", name, "settings")
        driver, settings = cell.get("driver"), cell.get("settings", {})
        if driver is None and "settings" in cell:
            faults.add(path, f'needs a driver beside it; write driver = "NAME", {meant("", drivers)}')
        if not isinstance(driver, str):
            continue
        try:
            model = drivers[driver].settings_model
        except KeyError:
            faults.add(("cells", name, "driver"), f"unknown driver {shown(driver)}; {meant(driver, drivers)}")
            continue
        except DriverError as error:
            faults.add(("cells", name, "driver"), str(error))
            continue
        if not isinstance(settings, dict):
            faults.add(path, f"is {shown(settings)}; must be a table")
            continue
        try:
            checked[name] = model.model_validate_json(json.dumps(settings), context=context)
        except ValidationError as error:
            faults.add_all(error, model, path)
    return checked


def _check_ports(settings: dict[str, DriverSettings], faults: FaultList) -> None:
    """Check that no two cells name a port that can serve only one, by whatever names."""
    owners: dict[str, tuple[str, str]] = {}
    for name, one in settings.items():
        port = one.sole_port()
        if port is None:
            continue
        owner, named = owners.setdefault(os.path.realpath(port), (name, port))
        if owner != name:
            other = "" if named == port else f", by the name {shown(named)}"
            wrong = f"port {shown(port)} is that of cells.{owner} already{other}; it can serve one cell only"
            faults.add(("cells", name, "settings"), wrong)


def _check_folders(config: Config, faults: FaultList) -> None:
    """Check that the ledger shares no folder with results, which people move, copy and clear out."""
    files, ledger = config.outlets.files, FilePath(os.path.realpath(config.store.folder))
    if files is None or "store" not in config.model_fields_set:
        return
    for key, folder in (("folder", files.folder), ("drop_folder", files.drop_folder)):
        if folder is None:
            continue
        real = FilePath(os.path.realpath(folder))
        if real == ledger:
            wrong = "is the ledger's folder"
        elif real.is_relative_to(ledger):
            wrong = "lies in the ledger's folder"
        elif ledger.is_relative_to(real):
            wrong = "holds the ledger's folder"
        else:
            continue
        faults.add(("outlets", "files", key), f"{wrong} (store.folder); results need one apart from it")


def _without_settings(document: dict[str, Any]) -> dict[str, Any]:
    """Return the document without the driver settings, which are checked by their own models."""
    cells = document.get("cells")
    if not isinstance(cells, dict):
        return document
    bare = {
        name: {k: v for k, v in cell.items() if k != "settings"} if isinstance(cell, dict) else cell
        for name, cell in cells.items()
    }
    return {**document, "cells": bare}


def _check_names(document: dict[str, Any], faults: FaultList) -> None:
    """Check what concerns more than one section."""
    cells = _tables(document, "cells")
    criteria = {*SHIPPED, *_tables(document, "criteria")}
    for name, cell in cells.items():
        for key in ("criterion", "buffer_criterion"):
            criterion = cell.get(key)
            if isinstance(criterion, str) and criterion not in criteria:
                faults.add(
                    ("cells", name, key),
                    f"unknown criterion {shown(criterion)}; {meant(criterion, criteria)}; "
                    "or define it as [criteria.NAME]",
                )
    if any("driver" in cell for cell in cells.values()):
        for section, key in (("site", "name"), ("store", "folder")):
            if section not in document:
                faults.add((section,), f"missing; cells with a driver need [{section}] with {key}")
