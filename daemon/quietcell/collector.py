"""When the collector of cycles looks, and what it need not look through again and again."""

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def at_rest() -> Iterator[None]:
    """Let it rest meanwhile: where much comes and stays it would look through all of that many times."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def spare_what_is_there() -> None:
    """Never look again at what a process that has just begun has loaded.

    Some hundred thousand modules, classes and functions stay until it ends; each look through them would hold
    up everything for tens of milliseconds.
    """
    gc.collect()
    gc.freeze()
