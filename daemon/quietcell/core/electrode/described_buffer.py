"""A buffer as a person or program describes it."""

from collections.abc import Callable, Mapping
from datetime import date
from typing import Any, TypeVar

from quietcell.core.electrode.buffers import CERTIFICATE, Buffer, buffer
from quietcell.errors import DomainError

T = TypeVar("T")
_U = "standard_uncertainty_ph"
_OF_A_BUFFER = frozenset(
    {"set", "name", "ph", "temperature_c", _U, "beyond_c", "lot", "expires", "measurement"}
)


def described_buffer(plain: Mapping[str, Any]) -> Buffer:
    """Return the buffer a request describes.

    Parameters
    ----------
    plain : mapping
        ``set`` and ``name`` of a published buffer, or ``name``, ``ph`` and ``standard_uncertainty_ph`` from
        a certificate with ``temperature_c`` (a number, or a list beside a list of pH); optionally ``lot``
        and ``expires`` (YYYY-MM-DD).

    Raises
    ------
    DomainError
        If it does not describe one.
    """
    if unknown := set(plain) - _OF_A_BUFFER:
        raise DomainError(
            f"unknown key {min(unknown)[:40]!r}",
            subject="buffer",
            hint=f"Known are {', '.join(sorted(_OF_A_BUFFER))}",
        )
    name, lot = _given(plain, "name", str, "its name"), str(plain.get("lot") or "")
    expires = None
    if plain.get("expires"):
        expires = _given(plain, "expires", date.fromisoformat, "its last day of use as YYYY-MM-DD")
    if "ph" not in plain:
        of_set = _given(plain, "set", str, "the set it is of, or ph for one with a certificate")
        return buffer(of_set, name, lot=lot, expires=expires)
    values = _given(plain, "ph", _numbers, "a number, or a list of them")
    return Buffer(
        name=name,
        buffer_set=CERTIFICATE,
        temperatures_c=_given({"temperature_c": 25.0, **plain}, "temperature_c", _numbers, "°C, as ph"),
        values_ph=values,
        standard_uncertainty_ph=_given({_U: 0.01, **plain}, _U, float, "a number"),
        beyond_c=_given({"beyond_c": 5.0 if len(values) == 1 else 0.0, **plain}, "beyond_c", float, "°C"),
        lot=lot,
        expires=expires,
    )


def _given(plain: Mapping[str, Any], key: str, read: Callable[[Any], T], wanted: str) -> T:
    """Return what stands under a key, or say what should."""
    if key not in plain:
        raise DomainError(f"{key} is missing", subject="buffer", hint=f"Give {key}: {wanted}")
    try:
        return read(plain[key])
    except (TypeError, ValueError, OverflowError):
        raise DomainError(
            f"{key} is {plain[key]!r:.40}", subject="buffer", hint=f"Give {key}: {wanted}"
        ) from None


def _numbers(value: Any) -> tuple[float, ...]:
    return tuple(float(each) for each in (value if isinstance(value, list) else [value]))
