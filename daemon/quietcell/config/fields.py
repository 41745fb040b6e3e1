"""The kinds of value a configuration is made of, and faults that concern several keys at once."""

from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, ValidationInfo
from pydantic_core import PydanticCustomError

NAME_PATTERN = r"^[a-z0-9-]+$"
DAY_S = 86_400.0

Name = Annotated[str, StringConstraints(pattern=NAME_PATTERN, max_length=64)]
"""Name of a site, cell, criterion or electrode; goes into topics, ids and file names."""


def _one_line(text: str) -> str:
    if not text.isprintable():
        raise PydanticCustomError("not_printable", "must be one line of printable text")
    return text


Text = Annotated[str, StringConstraints(min_length=1, max_length=200), AfterValidator(_one_line)]
"""One printable line."""

Positive = Annotated[float, Field(gt=0, le=1e6)]
NotNegative = Annotated[float, Field(ge=0, le=1e6)]
Seconds = Annotated[float, Field(gt=0, le=7 * DAY_S)]
PH = Annotated[float, Field(ge=0, le=14)]


def _placed(path: Path, info: ValidationInfo) -> Path:
    if "\0" in str(path) or str(path) == ".":
        raise PydanticCustomError("not_a_path", "must be the path of a file or folder")
    if min(str(path)) < " ":
        raise PydanticCustomError(
            "not_a_path",
            r'must be a path on one line; between " a \ begins an escape, between single quotes it does not',
        )
    if path.parts[0] == "~":
        raise PydanticCustomError("not_a_path", "must name the folder itself; ~ is no home folder here")
    folder = (info.context or {}).get("folder")
    return path if folder is None else folder / path


FilePath = Annotated[Path, AfterValidator(_placed)]
"""A path; a relative one starts at the folder the configuration file lies in."""

RecordKind = Literal[
    "determination",
    "episode",
    "calibration",
    "check",
    "doubt",
    "alarm",
    "note",
    "electrode",
    "request",
    "configuration",
    "segment",
    "gap",
    "driver-fault",
    "clock-step",
    "checkpoint",
    "readings-digest",
    "operator-verdict",
    "flow-test",
    "attendance",
    "reference-request",
    "reference-measurement",
    "cell-fault",
    "readings-dropped",
    "readings-expired",
    "storage",
    "parked",
    "run",
]


Fault = tuple[str, str]
"""A key of the table at hand and what is wrong with it."""


class Section(BaseModel):
    """Base of every table of the configuration: strict, frozen, unknown keys refused."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)

    def first_given(self, *keys: str) -> str:
        """Return the first of `keys` that the file sets, so that a fault points at something written."""
        return next((key for key in keys if key in self.model_fields_set), keys[0])


def refuse(faults: list[Fault]) -> None:
    """Raise one validation error for `faults`.

    Raises
    ------
    PydanticCustomError
        If there is any fault.
    """
    if faults:
        text = "; ".join(f"{key}: {wrong}" for key, wrong in faults)
        raise PydanticCustomError("incoherent", "{text}", {"text": text, "faults": faults})


def is_loopback(host: str) -> bool:
    """Tell whether an address or name can only mean this machine."""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
