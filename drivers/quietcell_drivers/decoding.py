"""A line's bytes in, quantities out. Pure; whatever comes in, nothing is raised."""

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from quietcell.core.readings import FLAG_BY_LABEL, NO_FLAG, Flag
from quietcell.core.units import QUANTITIES, UNITS, Unit, find_unit
from quietcell_drivers.line_format import IGNORED, STATUS, UNIT_SUFFIX, LineFormatSettings
from quietcell_drivers.plain_lines import Columns, PlainLines, Values

_EDGE = "".join(map(chr, range(0x21))) + "\x7f\xa0"

_FRACTION = re.compile(r"([.,])[0-9]")
_OTHER_MARK = {
    ",": "a decimal comma where decimal_comma is false",
    ".": "a decimal point where decimal_comma is true",
}


def _number_pattern(point: str) -> re.Pattern[str]:
    # ASCII digits only: \d would take other scripts' digits. The minus sign of typography is a minus.
    digits = rf"[0-9]+(?:{point}[0-9]*)?|{point}[0-9]+"
    return re.compile(rf"([+\-\u2212]?)[ ]*((?:{digits})(?:[eE][+-]?[0-9]+)?)[ ]*(.*)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Decoded:
    """What one line says; None where it says nothing."""

    mv: float | None
    temperature_c: float | None
    conductivity_us_cm: float | None
    flow_ml_min: float | None
    flags: Flag


@dataclass(frozen=True, slots=True)
class Undecodable:
    """Why a line is not a reading; one of a few fixed texts, so that they can be counted."""

    reason: str


class _NotAReadingError(Exception):
    """Leaves the decoder only as `Undecodable`."""


class LineDecoder:
    """Decodes the lines of one meter.

    A number is taken only if the whole field is a number, with or without a unit of its quantity
    behind it. A line is a reading whole or not at all.
    """

    def __init__(self, settings: LineFormatSettings) -> None:
        self._encoding = settings.encoding
        self._number_match = _number_pattern("," if settings.decimal_comma else "[.]").fullmatch
        self._status = {
            word: FLAG_BY_LABEL[label] if label else NO_FLAG for word, label in settings.status.items()
        }
        self._units = {q: find_unit(q, settings.units.get(q, "")) or UNITS[q][0] for q in QUANTITIES}
        self._ignored = re.compile(settings.ignore).fullmatch if settings.ignore else None
        self._scale = {q: settings.scale.get(q, 1.0) for q in QUANTITIES}
        self._split: Callable[[str], Mapping[str, str | None]] = (
            _by_pattern(settings.pattern)
            if settings.pattern
            else _by_columns(settings.columns, settings.delimiter)
        )
        self._plain = PlainLines(
            settings, {q: _scaled(unit, self._scale[q]) for q, unit in self._units.items()}, self._status
        )

    def values(self, line: bytes) -> Values | Undecodable:
        """Return what `decode` says, sooner where the line is a plain one."""
        plain = self._plain.values(line)
        if plain is not None:
            return plain
        decoded = self.decode(line)
        if isinstance(decoded, Undecodable):
            return decoded
        quantities = (decoded.mv, decoded.temperature_c, decoded.conductivity_us_cm, decoded.flow_ml_min)
        return *quantities, int(decoded.flags)

    @property
    def may_pass_over(self) -> bool:
        """Whether there are lines to ignore."""
        return self._ignored is not None

    def passes_over(self, line: bytes) -> bool:
        """Whether `line` is one of those the settings ignore."""
        return self._ignored is not None and bool(
            self._ignored(line.decode(self._encoding, "replace").strip(_EDGE))
        )

    def columns(self, lines: Sequence[bytes]) -> Columns | None:
        """Return what `lines` say if all of them are plain ones; None leaves each to `values`."""
        return self._plain.columns(lines)

    def decode(self, line: bytes) -> Decoded | Undecodable:
        """Return what `line` says, or why it is not a reading."""
        try:
            text = line.decode(self._encoding)
            return self._decode(self._split(text))
        except UnicodeError:
            return Undecodable("not in the meter's character set")
        except _NotAReadingError as fault:
            return Undecodable(str(fault))

    def _decode(self, fields: Mapping[str, str | None]) -> Decoded:
        flags = self._status_flags(fields.get(STATUS))
        values: list[float | None] = []
        for quantity in QUANTITIES:
            text = fields.get(quantity)
            if text is None or not (text := text.strip(_EDGE)):
                values.append(None)
                continue
            if (word_flag := self._status.get(text)) is not None:
                flags |= word_flag
                values.append(None)
                continue
            value = self._number(quantity, text, fields.get(quantity + UNIT_SUFFIX))
            if math.isnan(value):
                flags |= Flag.METER_OVERRANGE
                values.append(None)
            else:
                values.append(value)
        if not flags and all(value is None for value in values):
            raise _NotAReadingError("no quantity in the line")
        mv, temperature_c, conductivity_us_cm, flow_ml_min = values
        return Decoded(mv, temperature_c, conductivity_us_cm, flow_ml_min, flags)

    def _number(self, quantity: str, text: str, unit_text: str | None) -> float:
        found = self._number_match(text)
        if found is None:
            raise _NotAReadingError("not a number")
        sign, digits, behind = found.groups()
        number = float(digits.replace(",", ".")) * self._scale[quantity]
        if sign and sign != "+":
            number = -number
        unit = self._units[quantity]
        named = behind if unit_text is None else unit_text.strip(_EDGE)
        if named:
            unit = self._unit_in_line(quantity, named)
        value = unit.to_reading(number)
        if math.isinf(number) or math.isinf(value):
            raise _NotAReadingError("not a finite number")
        return value

    def _unit_in_line(self, quantity: str, text: str) -> Unit:
        unit = find_unit(quantity, text)
        configured = self._units[quantity]
        if unit is None and configured.name.endswith(" ohm"):
            # A meter that sends "1097.3 ohm" does not say which element; the setting does.
            unit = find_unit(quantity, f"{configured.name.removesuffix('ohm')}{text}")
        if unit is None and (fraction := _FRACTION.match(text)) is not None:
            raise _NotAReadingError(_OTHER_MARK[fraction[1]])
        if unit is None:
            raise _NotAReadingError("unknown unit behind a number")
        return unit

    def _status_flags(self, text: str | None) -> Flag:
        if text is None or not (text := text.strip(_EDGE)):
            return NO_FLAG
        words = [text] if text in self._status else text.split()
        flags = NO_FLAG
        for word in words:
            flags |= self._status.get(word, Flag.METER_STATUS)
        return flags


def _scaled(unit: Unit, scale: float) -> Callable[[float], float]:
    return unit.to_reading if scale == 1.0 else lambda number: unit.to_reading(number * scale)


def _by_pattern(pattern: str) -> Callable[[str], Mapping[str, str | None]]:
    match = re.compile(pattern).fullmatch

    def split(text: str) -> Mapping[str, str | None]:
        found = match(text.strip(_EDGE))
        if found is None:
            raise _NotAReadingError("does not match the pattern")
        return found.groupdict()

    return split


def _by_columns(columns: list[str], delimiter: str) -> Callable[[str], Mapping[str, str | None]]:
    separator = None if delimiter.isspace() and delimiter != "\t" else delimiter
    edge = _EDGE if separator is None else "".join(c for c in _EDGE if c not in separator)
    wrong = f"another number of fields than the {len(columns)} of columns"
    wanted = [(place, name) for place, name in enumerate(columns) if name != IGNORED]

    def split(text: str) -> Mapping[str, str | None]:
        fields = text.strip(edge).split(separator)
        if len(fields) != len(columns):
            raise _NotAReadingError(wrong)
        return {name: fields[place] for place, name in wanted}

    return split
