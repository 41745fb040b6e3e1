"""What ``--buffer`` says, as the daemon wants it."""

from quietcell.core.electrode.described_buffer import described_buffer
from quietcell.core.records import Json
from quietcell.errors import DomainError, UsageError


def buffer_from(text: str) -> dict[str, Json]:
    """Read a buffer from a flag: ``SET/NAME`` or ``NAME``, then ``,ph=``, ``,u=``, ``,lot=``, ``,expires=``.

    Raises
    ------
    UsageError
        If it cannot be read, or does not describe a buffer.

    Examples
    --------
    >>> buffer_from("iupac-2002/phthalate,lot=M-117,expires=2027-01-31")
    {'set': 'iupac-2002', 'name': 'phthalate', 'lot': 'M-117', 'expires': '2027-01-31'}
    >>> buffer_from("near-neutral,ph=7.00,u=0.01")
    {'name': 'near-neutral', 'ph': 7.0, 'standard_uncertainty_ph': 0.01}
    """
    head, *rest = text.split(",")
    group, _, name = head.rpartition("/")
    found: dict[str, Json] = {"set": group, "name": name} if group else {"name": name}
    keys = {"ph": "ph", "u": "standard_uncertainty_ph", "lot": "lot", "expires": "expires"}
    try:
        for part in rest:
            key, value = part.split("=", 1)
            found[keys[key.strip()]] = float(value) if key.strip() in ("ph", "u") else value.strip()
    except (ValueError, KeyError):
        hint = "Write SET/NAME,lot=...,expires=YYYY-MM-DD, or NAME,ph=7.00,u=0.01,lot=..."
        raise UsageError(f"--buffer {text!r} cannot be read", hint=hint) from None
    if not group and "ph" not in found:
        found["set"] = "iupac-2002"
    try:
        described_buffer(found)  # before anything is measured in it
    except DomainError as error:
        raise UsageError(f"--buffer {text!r}: {error.message}", hint=error.hint) from None
    return found
