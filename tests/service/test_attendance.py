"""Who works at a cell, when others do something to it at the same instant."""

import asyncio
from pathlib import Path

from quietcell.errors import CommandError
from quietcell.service.attendance import Attendances
from quietcell.service.records import DaemonIds
from tests.support.measuring import CELL, Measuring
from tests.support.streams import cell_settings


async def test_who_began_just_before_a_reload_is_told_and_whoever_came_after_stays(tmp_path: Path) -> None:
    async with Measuring(tmp_path) as measuring:
        attendances = Attendances({CELL: measuring.cell}, measuring.ledger, DaemonIds(7))
        asked = {"via": "page", "cell": CELL}
        first, _, second = await asyncio.gather(
            attendances.attend({**asked, "work": "calibration"}),
            measuring.cell.reconfigure(cell_settings(every_s=30.0)),
            attendances.attend({**asked, "work": "check"}),
            return_exceptions=True,
        )
        assert isinstance(first, CommandError)
        assert "your work here has ended" in str(first)
        assert isinstance(second, dict)
        assert measuring.cell.attendance is not None
        assert measuring.cell.attendance.id == second["attendance"]
        left = {**asked, "attendance": second["attendance"], "outcome": "done"}
        assert await attendances.leave(left) == {}
