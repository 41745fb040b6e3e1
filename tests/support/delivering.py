"""Deliver three results to a file and a broker: ``python -m tests.support.delivering FOLDER PORT``."""

import asyncio
import sys
from contextlib import suppress
from pathlib import Path

from quietcell.outlets.files import DailyFiles
from quietcell.outlets.follower import FileOutlet
from quietcell.service.outlets import json_sheet
from tests.support.delivery import Delivery
from tests.support.until import until


async def main(folder: Path, port: int) -> None:
    """Record one result after the other, each delivered before the next."""
    async with Delivery(folder / "state", port) as delivery:
        outlet = FileOutlet(delivery.ledger, DailyFiles(folder / "out", json_sheet(), delivery.cursors))
        writing = asyncio.create_task(outlet.run())
        for number in range(3):
            await delivery.record(text=f"fingerprint-{number}")
            await delivery.all_delivered()
            await until(lambda: outlet.seq == delivery.ledger.seq)
        writing.cancel()
        with suppress(asyncio.CancelledError):
            await writing


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]), int(sys.argv[2])))
