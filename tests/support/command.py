"""The command line, run in this process."""

import io
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import NamedTuple

import pytest

from quietcell.cli import main


class Ran(NamedTuple):
    """How a command ended, and what it printed."""

    status: int
    out: str
    err: str


def ran(*words: str | Path | float, status: int | None = 0) -> Ran:
    """Run a command that ends with this status (None: with any)."""
    with (
        redirect_stdout(io.StringIO()) as out,
        redirect_stderr(io.StringIO()) as err,
        pytest.raises(SystemExit) as ended,
    ):
        main([str(word) for word in words])
    done = Ran(int(ended.value.code or 0), out.getvalue(), err.getvalue())
    assert status in (None, done.status), done
    return done
