"""Settings that say how a meter's lines look; shared by the drivers that read lines."""

import math
import re
from difflib import get_close_matches
from typing import Annotated, Self

from pydantic import AfterValidator, Field, field_validator, model_validator

from quietcell.contracts import DriverSettings
from quietcell.core.readings import FLAG_BY_LABEL
from quietcell.core.units import QUANTITIES, find_unit, unit_names

STATUS = "status"
IGNORED = "-"
UNIT_SUFFIX = "_unit"

_ESCAPES = {"r": "\r", "n": "\n", "t": "\t", "\\": "\\"}


def unescape(text: str) -> str:
    r"""Turn ``\r``, ``\n``, ``\t``, ``\xHH`` and ``\\`` into the characters they stand for.

    Examples
    --------
    >>> unescape(r"MEAS?\r\n")
    'MEAS?\r\n'
    """

    def replace(found: re.Match[str]) -> str:
        body = found.group(1)
        if body.startswith("x"):
            return chr(int(body[1:], 16))
        return _ESCAPES[body]

    if re.sub(r"\\(x[0-9A-Fa-f]{2}|[rnt\\])", "", text).count("\\"):
        raise ValueError(f"{text!r} has a backslash that begins no escape; allowed: \\r \\n \\t \\xHH \\\\")
    return re.sub(r"\\(x[0-9A-Fa-f]{2}|[rnt\\])", replace, text)


EscapedText = Annotated[str, AfterValidator(unescape)]


def _known(name: str, allowed: tuple[str, ...], what: str) -> None:
    if name not in allowed:
        close = get_close_matches(name.lower(), allowed, 1)
        guess = f"; did you mean {close[0]!r}?" if close else ""
        raise ValueError(f"{name!r} is no {what}; allowed: {', '.join(allowed)}{guess}")


class LineFormatSettings(DriverSettings):
    """What a line is and what stands in it."""

    terminator: EscapedText = Field(
        default="\n",
        description=(
            "What ends a line. Blanks and control characters around a line are dropped, so the default "
            "serves CR LF too. Empty for a meter that sends none, or whose messages have several lines: "
            "then set gap_s."
        ),
    )
    gap_s: float | None = Field(
        default=None,
        gt=0,
        le=10,
        description="Silence in s that ends a line, for a meter without terminator; must exceed every "
        "pause inside a message (USB adapters pause up to 0.016 s).",
    )
    max_line_bytes: int = Field(
        default=256, ge=4, le=65536, description="Longest line taken; longer ones are counted and dropped."
    )
    encoding: str = Field(
        default="latin-1",
        description="Character set of the meter; latin-1 has the micro and degree signs as one byte.",
    )
    columns: list[str] = Field(
        default_factory=list,
        description="What stands in each field of a line, in order: mv, temperature_c, conductivity_us_cm, "
        "flow_ml_min, status, or - to ignore it. A line with another number of fields is no reading.",
    )
    delimiter: EscapedText = Field(
        default=";", description="What parts the fields; a blank stands for any run of blanks."
    )
    pattern: str = Field(
        default="",
        description="In place of columns: a regular expression for the whole line (blanks at its ends "
        "dropped), with groups named as the columns are; a group such as conductivity_us_cm_unit takes "
        "the unit the line itself names.",
    )
    ignore: str = Field(
        default="",
        description="A regular expression for whole lines (blanks at their ends dropped) that are passed "
        "over: of another meter on the same line, a banner, an OK behind each answer. Any other line that "
        "is no reading counts as a fault, and the reading behind it is flagged and left out.",
    )
    units: dict[str, str] = Field(
        default_factory=dict,
        description="The unit the meter sends, for each column whose name ends in another: mV, V; °C, °F, "
        "K, Pt100 ohm, Pt1000 ohm; µS/cm, nS/cm, mS/cm, mS/m, S/m, MΩ·cm; mL/min, L/h. A unit written "
        "behind a number in the line goes before this.",
    )
    scale: dict[str, float] = Field(
        default_factory=dict,
        description="What the number of a column is multiplied with before its unit counts, for a meter that "
        "leaves the decimal point out: { mv = 0.01 } makes 41.35 of +04135.",
    )
    decimal_comma: bool = Field(default=False, description="Whether the meter writes 25,04 for 25.04.")
    status: dict[str, str] = Field(
        default_factory=dict,
        description="Words of the status column, or words sent in place of a number, and the flag each sets: "
        "meter-unstable, meter-overrange, operator (someone works at the cell) or meter-status, such as "
        '{ "OL" = "meter-overrange" }; "" for none. A status word not listed sets meter-status.',
    )

    @field_validator("encoding")
    @classmethod
    def _encoding_is_usable(cls, name: str) -> str:
        try:
            plain = "0.".encode(name) == b"0."
        except (LookupError, UnicodeError):
            plain = False
        if not plain:
            raise ValueError(
                f"{name!r} is no usable character set; allowed: latin-1, utf-8, ascii, cp437 ..."
            )
        return name

    @field_validator("columns")
    @classmethod
    def _columns_are_known(cls, columns: list[str]) -> list[str]:
        for name in columns:
            _known(name, (*QUANTITIES, STATUS, IGNORED), "column")
            if name != IGNORED and columns.count(name) > 1:
                raise ValueError(f"column {name!r} appears {columns.count(name)} times, allowed: once")
        if columns and "mv" not in columns:
            raise ValueError("no column 'mv': a meter without the electrode's potential is of no use here")
        return columns

    @field_validator("ignore")
    @classmethod
    def _ignore_compiles(cls, ignore: str) -> str:
        try:
            found = re.compile(ignore).fullmatch("-102.31;25.04")
        except re.error as error:
            raise ValueError(f"not a regular expression: {error}") from error
        if ignore and found:
            raise ValueError(f"{ignore!r} matches any line, readings too")
        return ignore

    @field_validator("pattern")
    @classmethod
    def _pattern_compiles(cls, pattern: str) -> str:
        try:
            groups = re.compile(pattern).groupindex
        except re.error as error:
            raise ValueError(f"not a regular expression: {error}") from error
        allowed = (*QUANTITIES, STATUS, *(q + UNIT_SUFFIX for q in QUANTITIES))
        for name in groups:
            _known(name, allowed, "group")
        if pattern and "mv" not in groups:
            raise ValueError("no group 'mv', such as (?P<mv>[-+0-9.]+)")
        return pattern

    @field_validator("units")
    @classmethod
    def _units_are_known(cls, units: dict[str, str]) -> dict[str, str]:
        for quantity, name in units.items():
            _known(quantity, QUANTITIES, "quantity with a unit")
            if find_unit(quantity, name) is None:
                raise ValueError(f"{quantity}: {name!r} is no unit of it; allowed: {unit_names(quantity)}")
        return units

    @field_validator("scale")
    @classmethod
    def _scale_is_usable(cls, scale: dict[str, float]) -> dict[str, float]:
        for quantity, factor in scale.items():
            _known(quantity, QUANTITIES, "quantity with a scale")
            if not math.isfinite(factor) or factor == 0.0:
                raise ValueError(f"{quantity}: {factor} makes no number; allowed: any other than 0")
        return scale

    @field_validator("status")
    @classmethod
    def _flags_are_known(cls, status: dict[str, str]) -> dict[str, str]:
        for label in filter(None, status.values()):
            _known(label, tuple(FLAG_BY_LABEL), 'flag (or "" for none)')
        return status

    @model_validator(mode="after")
    def _parts_agree(self) -> Self:
        if bool(self.columns) == bool(self.pattern):
            raise ValueError("set either columns or pattern, not both and not neither")
        if bool(self.terminator) == (self.gap_s is not None):
            raise ValueError('set either terminator, or terminator = "" and gap_s')
        try:
            self.terminator.encode(self.encoding)
        except UnicodeError:
            raise ValueError(f"terminator {self.terminator!r} does not exist in {self.encoding}") from None
        if not self.delimiter:
            raise ValueError("delimiter is empty; allowed: one or more characters")
        if self.decimal_comma and self.columns and "," in self.delimiter:
            raise ValueError("decimal_comma and delimiter ',' exclude each other")
        return self
