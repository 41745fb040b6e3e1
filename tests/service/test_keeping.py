"""Notes, things that move between cells, their condition, and what is due."""

from pathlib import Path

import pytest

from quietcell.config import Config, load_config
from quietcell.core.records import Json
from quietcell.core.settings import CellSettings
from quietcell.errors import CommandError
from quietcell.service.attendance import Attendances
from quietcell.service.drivers import InstalledDrivers
from quietcell.service.in_force import in_force, with_in_force
from quietcell.service.keeping import Keeping
from quietcell.service.records import DaemonIds
from tests.support.bench_meter import configure
from tests.support.measuring import CELL, Measuring
from tests.support.streams import cell_settings

LIMITS = "[cells.live-feed-room.limits]\nelectrolyte_every_d = 90.0\ncheck_every_d = 30.0\n"
WHO = {"via": "page", "cell": CELL, "operator": "day shift"}


def config_of(folder: Path, more: str = "") -> Config:
    return load_config(configure(folder, more=more or LIMITS), InstalledDrivers())


def keeping(measuring: Measuring, config: Config) -> Keeping:
    ids = DaemonIds(7)
    journal = measuring.ledger.journal

    async def settled() -> dict[str, CellSettings]:
        configured = cell_settings(calibrated=False)
        return {CELL: with_in_force(configured, in_force(journal, CELL), fixed=False)}

    attendances = Attendances({CELL: measuring.cell}, measuring.ledger, ids)
    return Keeping(
        attendances, measuring.ledger, ids, measuring.clock, config=lambda: config, settled=settled
    )


def due(answer: dict[str, Json]) -> dict[str, bool]:
    return {one["what"]: one["overdue"] for one in answer["due"]}


async def test_a_note_is_kept_with_who_wrote_it(tmp_path: Path) -> None:
    async with Measuring(tmp_path) as measuring:
        keeper = keeping(measuring, config_of(tmp_path))
        told = await keeper.note({**WHO, "text": "tubing changed\nnew clamp"})
        (body,) = measuring.bodies("note")
        assert (body["id"], body["text"]) == (told["note"], "tubing changed\nnew clamp")
        assert (body["operator"], body["via"]) == ("day shift", "page")
        assert "work" not in body
        with pytest.raises(CommandError, match="text: must be printable"):
            await keeper.note({**WHO, "text": "a\tb\x1b"})
        with pytest.raises(CommandError, match="give a text, or what was done"):
            await keeper.note(WHO)


async def test_another_electrode_needs_its_own_calibration_and_its_care_goes_with_it(tmp_path: Path) -> None:
    async with Measuring(tmp_path) as measuring:
        keeper = keeping(measuring, config_of(tmp_path))
        await measuring.run(3)
        put = {**WHO, "thing": "electrode", "name": "probe-7", "serial": "M-1234"}
        answer = await keeper.thing(put)
        assert (answer["left"], answer["calibrated"]) == (None, False)
        assert (measuring.cell.settings.electrode, measuring.cell.settings.calibrated) == ("probe-7", False)
        assert due(await keeper.kept(WHO)) == {"electrolyte-refilled": True, "check": True}
        await keeper.note({**WHO, "work": "electrolyte-refilled"})
        (note,) = measuring.bodies("note")
        assert (note["work"], note["electrode"], note["text"]) == (
            "electrolyte-refilled",
            "probe-7",
            "electrolyte refilled",
        )
        kept = await keeper.kept({**WHO, "history_of": "probe-7"})
        assert due(kept) == {"check": True, "electrolyte-refilled": False}
        assert kept["things"]["electrode"] == "probe-7"
        assert kept["condition"]["signal"] == "none"
        assert [body["record"] for body in kept["history"]] == ["electrode", "note"]
        await keeper.thing({**put, "state": "stored"})
        assert measuring.cell.settings.electrode is None
        again = (await keeper.thing(put))["body"]
        assert again["electrolyte_at"] == note["at"]


async def test_what_cannot_be_is_refused_with_what_to_do(tmp_path: Path) -> None:
    fixed = LIMITS.replace("[cells", 'electrode = "probe-7"\n[cells', 1)
    async with Measuring(tmp_path) as measuring:
        keeper = keeping(measuring, config_of(tmp_path, fixed))
        other = {**WHO, "thing": "electrode", "name": "probe-8"}
        with pytest.raises(CommandError, match=r"probe-7 is in this cell: cells\.live-feed-room\.electrode"):
            await keeper.thing(other)
        with pytest.raises(CommandError, match="no record names probe-9"):
            await keeper.kept({**WHO, "history_of": "probe-9"})
        meter = {**WHO, "thing": "meter", "name": "bench-meter"}
        await keeper.thing(meter)
        with pytest.raises(CommandError, match="other-meter is not in this cell; bench-meter is"):
            await keeper.thing({**meter, "name": "other-meter", "state": "retired"})
