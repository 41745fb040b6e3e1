"""What commands work on."""

import asyncio
from pathlib import Path

import pytest

from tests.support.ledgers import note, open_ledger


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    """A ledger of three records."""

    async def fill() -> None:
        ledger = open_ledger(tmp_path)
        await ledger.record([note(1), note(2), note(3)])
        await ledger.close()

    asyncio.run(fill())
    return tmp_path
