"""Who works at a cell, when others do something to it at the same instant."""

import asyncio
from pathlib import Path

import pytest

from quietcell.errors import CommandError
from quietcell.service.attendance import Attendances
from quietcell.service.records import DaemonIds
from tests.support.cell_bench import CELL, Measuring
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


async def test_a_sample_brought_to_work_that_has_ended_is_not_measured(tmp_path: Path) -> None:
    async with Measuring(tmp_path) as measuring:
        attendances = Attendances({CELL: measuring.cell}, measuring.ledger, DaemonIds(7))
        began = await attendances.attend({"via": "page", "cell": CELL, "work": "measure"})
        await measuring.cell.reconfigure(cell_settings(every_s=30.0))
        with pytest.raises(CommandError, match="your work here has ended"):
            await measuring.ask(sample_id="S-17", attendance=began["attendance"], grab={"portion": 2})
        assert measuring.bodies("request") == []


async def test_a_sanitised_cell_measures_nothing_for_anybody_and_goes_on_behind_it(tmp_path: Path) -> None:
    async with Measuring(tmp_path) as measuring:
        attendances = Attendances({CELL: measuring.cell}, measuring.ledger, DaemonIds(7))
        await measuring.run(10.0)
        for _ in range(3):
            await attendances.sanitised(CELL, under_way=True)
        await measuring.run(45.0)
        await measuring.ask(sample_id="S-17")
        with pytest.raises(CommandError, match="is being sanitised"):
            await attendances.attend({"via": "page", "cell": CELL, "work": "check"})
        assert measuring.cell.indication().waits_for == "the end of the sanitisation"
        ended = [(body["verdict"], body["reasons"][:1]) for body in measuring.bodies("determination")]
        assert ended == [("refused", ["superseded"]), ("refused", ["busy"])]
        await attendances.sanitised(CELL, under_way=False)
        await measuring.run(60.0)
        assert measuring.bodies("determination")[-1]["verdict"] == "accepted"
        states = [(body["state"], body["work"]) for body in measuring.bodies("attendance")]
        assert states == [("began", "sanitisation"), ("ended", "sanitisation")]


async def test_a_sanitisation_waits_for_who_works_and_outlasts_a_reload(tmp_path: Path) -> None:
    async with Measuring(tmp_path) as measuring:
        attendances = Attendances({CELL: measuring.cell}, measuring.ledger, DaemonIds(7))
        work = await attendances.attend({"via": "page", "cell": CELL, "work": "check"})
        await attendances.sanitised(CELL, under_way=True)
        assert [body["work"] for body in measuring.bodies("attendance")] == ["check"]
        left = {"via": "page", "cell": CELL, "attendance": work["attendance"], "outcome": "done"}
        await attendances.leave(left)
        await attendances.sanitised(CELL, under_way=True)
        await measuring.cell.reconfigure(cell_settings(every_s=30.0))
        await attendances.sanitised(CELL, under_way=True)
        works = [(body["state"], body["work"]) for body in measuring.bodies("attendance")]
        assert works[2:] == [("began", "sanitisation")] * 2


async def test_a_sanitisation_that_ends_as_it_begins_leaves_the_cell_at_work(tmp_path: Path) -> None:
    async with Measuring(tmp_path) as measuring:
        attendances = Attendances({CELL: measuring.cell}, measuring.ledger, DaemonIds(7))
        told = (attendances.sanitised(CELL, under_way=under_way) for under_way in (True, False))
        await asyncio.gather(*told)
        assert measuring.cell.attendance is None
        assert [body["state"] for body in measuring.bodies("attendance")] == ["began", "ended"]
