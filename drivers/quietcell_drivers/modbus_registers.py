"""Registers of a Modbus meter: which to read together, and what their contents say. Pure."""

import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, Self

from pydantic import Field, field_validator, model_validator

from quietcell.contracts import DriverSettings
from quietcell.core.readings import FLAG_BY_LABEL, NO_FLAG, Flag, Reading
from quietcell.core.units import QUANTITIES, UNITS, find_unit, unit_names

Kind = Literal["holding", "input"]
MOST_REGISTERS = 125
"""In one question; Modbus application protocol V1.1b3, 6.3 and 6.4."""
_FORMATS = {
    "int16": "h",
    "uint16": "H",
    "int32": "i",
    "uint32": "I",
    "int64": "q",
    "uint64": "Q",
    "float32": "f",
    "float64": "d",
}


class Register(DriverSettings):
    """Where a quantity lies and how it is put into registers."""

    address: int = Field(
        ge=0,
        le=65535,
        description="First register as sent on the line, from 0: a manual's 40001 is 0, its 30001 is 0 of "
        "kind input.",
    )
    kind: Kind = Field(default="holding", description="holding (function 3) or input (function 4).")
    type: Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"] = Field(
        default="float32",
        description="How the number is put into one, two or four registers: int16, uint16, int32, uint32, "
        "int64, uint64, float32, float64.",
    )
    word_order: Literal["big", "little"] = Field(
        default="big", description="big: the register with the highest part comes first; little: last."
    )
    swap_bytes: bool = Field(default=False, description="Whether the two bytes of each register are swapped.")
    scale: float = Field(default=1.0, description="What the number is multiplied with.")
    offset: float = Field(default=0.0, description="What is then added.")
    unit: str = Field(
        default="",
        description="Unit that results, where it is not the quantity's own: as in `units` of line-stream.",
    )

    @field_validator("scale")
    @classmethod
    def _scale_is_not_zero(cls, scale: float) -> float:
        if scale == 0.0:
            raise ValueError("scale is 0, must be another number")
        return scale

    @property
    def size(self) -> int:
        """Number of registers."""
        return struct.calcsize(_FORMATS[self.type]) // 2

    def number(self, registers: Sequence[int]) -> float:
        """Return the number `size` registers hold, scaled; NaN if they hold none."""
        words = list(registers) if self.word_order == "big" else list(reversed(registers))
        content = struct.pack(f"{'<' if self.swap_bytes else '>'}{len(words)}H", *words)
        (value,) = struct.unpack(f">{_FORMATS[self.type]}", content)
        return float(value) * self.scale + self.offset


class StatusRegister(DriverSettings):
    """A register whose bits say something about the readings."""

    address: int = Field(ge=0, le=65535, description="As for quantities.")
    kind: Kind = Field(default="holding", description="As for quantities.")
    bits: dict[str, str] = Field(
        default_factory=dict,
        description='Number of the bit ("0" is the lowest) and the flag it sets, as in '
        '`status` of line-stream, such as { "3" = "meter-status" }; "" for none.',
    )

    @field_validator("bits")
    @classmethod
    def _bits_are_known(cls, bits: dict[str, str]) -> dict[str, str]:
        for bit, label in bits.items():
            if not (bit.isascii() and bit.isdecimal() and int(bit) < 16):
                raise ValueError(f'{bit!r} is no bit of a register; allowed: "0" to "15"')
            if label not in ("", *FLAG_BY_LABEL):
                allowed = ", ".join(FLAG_BY_LABEL)
                raise ValueError(f'{label!r} is no flag (or "" for none); allowed: {allowed}')
        return bits

    def flags(self, content: int) -> Flag:
        """Return the flags that the register's content sets."""
        flags = NO_FLAG
        for bit, label in self.bits.items():
            if label and content >> int(bit) & 1:
                flags |= FLAG_BY_LABEL[label]
        return flags


class RegisterMap(DriverSettings):
    """What a meter keeps in which registers."""

    registers: dict[str, Register] = Field(
        description="Where each of mv, temperature_c, conductivity_us_cm, flow_ml_min lies that the meter "
        "has, such as { mv = { address = 0 }, temperature_c = { address = 2 } }."
    )
    status: StatusRegister | None = Field(default=None, description="A register with status bits.")

    @field_validator("registers")
    @classmethod
    def _quantities_are_known(cls, registers: dict[str, Register]) -> dict[str, Register]:
        for quantity, register in registers.items():
            if quantity not in QUANTITIES:
                raise ValueError(f"{quantity!r} is no quantity; allowed: {', '.join(QUANTITIES)}")
            if register.unit and find_unit(quantity, register.unit) is None:
                allowed = unit_names(quantity)
                raise ValueError(f"{quantity}: {register.unit!r} is no unit of it; allowed: {allowed}")
            if register.address + register.size > 65536:
                raise ValueError(f"{quantity}: its registers reach beyond address 65535")
        if "mv" not in registers:
            raise ValueError("no quantity 'mv': a meter without the electrode's potential is of no use here")
        return registers

    @model_validator(mode="after")
    def _registers_are_apart(self) -> Self:
        taken: dict[tuple[Kind, int], str] = {}
        for quantity, register in self.registers.items():
            for address in range(register.address, register.address + register.size):
                if (other := taken.setdefault((register.kind, address), quantity)) != quantity:
                    raise ValueError(f"{quantity} and {other} share {register.kind} register {address}")
        return self


@dataclass(frozen=True, slots=True)
class RegisterBlock:
    """Registers without a gap, read with one question."""

    kind: Kind
    address: int
    count: int


def blocks(layout: RegisterMap) -> list[RegisterBlock]:
    """Return the fewest questions that read all registers and no others; the potential's block first."""
    wanted = {
        (register.kind, address)
        for register in layout.registers.values()
        for address in range(register.address, register.address + register.size)
    }
    if layout.status is not None:
        wanted.add((layout.status.kind, layout.status.address))
    runs: list[tuple[Kind, int, int]] = []
    for kind, address in sorted(wanted):
        if (
            runs
            and runs[-1][0] == kind
            and runs[-1][1] + runs[-1][2] == address
            and runs[-1][2] < MOST_REGISTERS
        ):
            runs[-1] = (kind, runs[-1][1], runs[-1][2] + 1)
        else:
            runs.append((kind, address, 1))
    potential = layout.registers["mv"]
    found = [RegisterBlock(*run) for run in runs]
    found.sort(
        key=lambda b: not (b.kind == potential.kind and b.address <= potential.address < b.address + b.count)
    )
    return found


def reading_of(layout: RegisterMap, contents: Mapping[tuple[Kind, int], int], boot_ms: int) -> Reading:
    """Return what the registers say; a number that can stand for nothing is beyond the meter's range."""
    flags = NO_FLAG
    if layout.status is not None:
        flags |= layout.status.flags(contents[layout.status.kind, layout.status.address])
    values: dict[str, float | None] = dict.fromkeys(QUANTITIES)
    for quantity, register in layout.registers.items():
        places = range(register.address, register.address + register.size)
        number = register.number([contents[register.kind, address] for address in places])
        unit = find_unit(quantity, register.unit) or UNITS[quantity][0]
        value = unit.to_reading(number)
        if math.isfinite(value):
            values[quantity] = value
        else:
            flags |= Flag.METER_OVERRANGE
    return Reading(
        boot_ms=boot_ms,
        mv=values["mv"],
        temperature_c=values["temperature_c"],
        conductivity_us_cm=values["conductivity_us_cm"],
        flow_ml_min=values["flow_ml_min"],
        flags=flags,
    )
