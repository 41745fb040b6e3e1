"""Commands: functions by name that the control socket, MQTT and the page share.

A carrier hands over the request as it came, with `via` and, where it knows, `operator` set by itself.
Arguments are checked here; what is wrong raises `CommandError`, and nothing was changed.
"""

import asyncio
from collections.abc import Awaitable, Callable, Iterable, Mapping
from typing import Annotated, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, ValidationError
from pydantic_core import PydanticCustomError

from quietcell.config.faults import plain_words
from quietcell.config.fields import NAME_PATTERN, Name, Text
from quietcell.core.records import Json
from quietcell.errors import ArgumentError, CommandError
from quietcell.service.command_records import Via

Command = Callable[[dict[str, Json]], Awaitable[dict[str, Json]]]
Commands = Mapping[str, Command]
A = TypeVar("A", bound="Arguments")
BEGIN_S = 3.0
"""So long a command waits for the cells to begin; who asks over the socket waits five seconds."""


def _lines(text: str) -> str:
    if not all(line.isprintable() for line in text.split("\n")) or not text.strip():
        raise PydanticCustomError("not_printable", "must be printable text")
    return text


LongText = Annotated[str, StringConstraints(min_length=1, max_length=4000), AfterValidator(_lines)]
"""Printable lines."""


class Arguments(BaseModel):
    """Base of what a command takes: strict, unknown keys refused."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)

    command: str = ""
    via: Via
    operator: Text | None = Field(default=None, description="Who asks.")


class OfCell(Arguments):
    """Arguments of a command about one cell."""

    cell: Name = Field(description="Which cell.")


def checked(model: type[A], request: Mapping[str, Json]) -> A:
    """Return the arguments of a command.

    Raises
    ------
    ArgumentError
        Names every argument that is wrong and what is allowed.
    """
    try:
        return model.model_validate(dict(request))
    except ValidationError as error:
        faults = error.errors(include_url=False, include_input=False, include_context=False)
        told = (f"{_place(fault['loc'])}: {_wrong(fault['type'], fault['msg'])}" for fault in faults[:5])
        raise ArgumentError("; ".join(told)) from None


def no_cell(name: str, known: Iterable[str]) -> ArgumentError:
    """Return what to say of a cell that is not there."""
    return ArgumentError(f"no cell {name}; there is {', '.join(known)}", subject="cell")


def once_begun(command: Command, begun: asyncio.Event) -> Command:
    """Return a command that waits until the cells have begun.

    What a killed run left behind is judged first, and until then a cell that is configured is not there.
    """

    async def held(request: dict[str, Json]) -> dict[str, Json]:
        try:
            async with asyncio.timeout(BEGIN_S):
                await begun.wait()
        except TimeoutError:
            raise CommandError("the cells have not begun yet", hint="Ask again in a moment") from None
        return await command(request)

    return held


def _wrong(kind: str, text: str) -> str:
    """Return what is wrong with an argument, in words such as the configuration's."""
    known = {"missing": "missing", "extra_forbidden": "unknown"}
    if NAME_PATTERN in text:
        return "must be a name: lower-case letters a-z, digits and -"
    return known.get(kind) or plain_words(text)


def _place(location: tuple[int | str, ...]) -> str:
    """Return where a fault is; what a hostile key holds is not passed on."""
    text = ".".join(str(part) for part in location) or "request"
    return text[:40] if text.isprintable() else "a key"


def work_ended(cell: str) -> CommandError:
    """Return what is told to whoever works on at a cell under an attendance that is over."""
    return CommandError(
        "your work here has ended: the cell was reconfigured, the daemon restarted, or nobody was heard of "
        "for two minutes",
        subject=cell,
        hint="Begin again; what was measured is kept",
    )
