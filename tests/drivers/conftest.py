"""Fixtures of the driver tests."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from quietcell_drivers.pseudo_terminal import PseudoTerminal


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[PseudoTerminal]:
    line = PseudoTerminal(tmp_path)
    yield line
    line.unplug()
