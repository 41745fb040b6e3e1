"""What an outlet sets aside is in the ledger once, and so is that it was taken later."""

from pathlib import Path

import pytest

from quietcell.errors import CommandError
from quietcell.service.mqtt_requests import ParkedAgain
from quietcell.service.parking import Parking
from quietcell.service.records import DaemonIds
from tests.support.clocks import SteppedClock
from tests.support.ledgers import note, open_ledger


async def test_a_record_parked_twice_before_the_cursor_moved_is_told_once(tmp_path: Path) -> None:
    ledger = open_ledger(tmp_path)
    parking = Parking("mqtt", ledger, DaemonIds(1), SteppedClock())
    first, second = await ledger.record([note(1), note(2)])
    for _ in range(2):
        await parking.parked(first, "Not authorized")
        await parking.parked(second, "too large")
    for _ in range(2):
        await parking.delivered(first)
    await parking.parked(first, "Not authorized")
    bodies = [r.body() for r in ledger.journal.all() if r.body()["record"] == "parked"]
    assert [(body["parked_seq"], body["state"]) for body in bodies] == [
        (1, "parked"),
        (2, "parked"),
        (1, "delivered"),
        (1, "parked"),
    ]
    assert {body["cell"] for body in bodies} == {"live-feed-room"}
    await ledger.close()


async def test_without_a_broker_nothing_is_sent_again_and_the_table_is_named() -> None:
    with pytest.raises(CommandError, match=r"no broker is configured\. Name one in \[outlets\.mqtt\]"):
        await ParkedAgain(None).command({"command": "resend", "via": "socket"})
