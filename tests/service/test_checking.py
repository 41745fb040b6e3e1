"""A cell is held against what it shows now, not against what it showed once."""

from pathlib import Path
from typing import Any, Literal

import pytest

from quietcell.core.electrode.buffers import buffer
from quietcell.core.records import Json
from quietcell.core.times import rfc3339
from quietcell.errors import ArgumentError, CommandError
from quietcell.service.attendance import Attendances
from quietcell.service.cell import CellTask
from quietcell.service.checking import Checking
from quietcell.service.checks import CheckArguments, judged_check
from quietcell.service.records import DaemonIds
from tests.support.cell_bench import Bench, Measuring, meter_readings
from tests.support.streams import ANCHOR_UTC_MS, cell_settings


async def test_a_thermometer_of_a_silent_meter_is_held_against_nothing(tmp_path: Path) -> None:
    bench, ids = Bench(tmp_path), DaemonIds(97)
    request = {
        "via": "socket",
        "cell": "live-feed-room",
        "method": "temperature",
        "known": 23.5,
        "known_from": "the thermometer of the nursery",
        "tolerance": 0.5,
    }

    async def check(task: CellTask) -> None:
        attendances = Attendances({task.name: task}, bench.ledger, ids)
        await Checking(attendances, bench.ledger, ids, bench.clock).check(request)

    async def check_in_vain(task: CellTask) -> None:
        with pytest.raises(CommandError, match="the cell shows no value to compare"):
            await check(task)

    await bench.run(meter_readings(30), 120, events={25: check, 115: check_in_vain})
    assert [body["verdict"] for body in bench.bodies() if body["record"] == "check"] == ["failed"]
    await bench.ledger.close()


async def test_a_known_ph_is_held_against_the_newest_value_and_names_it(tmp_path: Path) -> None:
    """While a failed check stands there is no result: what is refused for that alone tells of the water."""
    async with Measuring(tmp_path, seconds=240) as bench:
        ids = DaemonIds(97)
        checking = Checking(
            Attendances({bench.cell.name: bench.cell}, bench.ledger, ids), bench.ledger, ids, bench.clock
        )

        async def compared(known: float) -> dict[str, Json]:
            return await checking.check(
                {
                    "via": "socket", "cell": "live-feed-room", "method": "comparison", "known": known,
                    "tolerance": 0.1,
                }
            )  # fmt: skip

        await bench.run(50)
        failed = await compared(5.0)
        assert (failed["body"]["verdict"], failed["compared"]["verdict"]) == ("failed", "accepted")
        await bench.run(190)
        newest = bench.bodies("determination")[-1]
        assert newest["reasons"] == ["max-wait", "check-failed"]
        mended = await compared(newest["ph"])
        assert mended["body"]["verdict"] == "passed"
        assert mended["compared"] == {key: newest[key] for key in ("id", "ended", "verdict", "ph")}
        assert "still_failed" not in mended
        warm = {"via": "socket", "cell": "live-feed-room", "method": "temperature", "known": 90.0}
        warm_id = (await checking.check({**warm, "tolerance": 0.1}))["body"]["id"]
        assert (await compared(newest["ph"]))["still_failed"] == {"id": warm_id, "method": "temperature"}
        await bench.run(600)  # the meter has fallen silent
        with pytest.raises(CommandError, match=r"the last value to compare.* ended at .* h ago"):
            await compared(7.0)


@pytest.mark.parametrize(("method", "known"), [("comparison", 69.0), ("temperature", 690.0)])
def test_what_water_cannot_have_is_no_known_value(
    method: Literal["comparison", "temperature"], known: float
) -> None:
    asked = CheckArguments(via="socket", cell="live-feed-room", method=method, known=known, tolerance=0.1)
    measured = {"id": "live-feed-room.1.4", "reasons": [], "ph": 7.05}
    with pytest.raises(ArgumentError, match=f"{known:g} .* is no value of water here"):
        judged_check(
            asked, [measured], cell_settings(), body_id="d.1.9", at=rfc3339(ANCHOR_UTC_MS), since=None,
            temperature_c=25.0,
        )  # fmt: skip


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"name": "phosphate"}, ""),
        ({"name": "phosphate", "expires": "2026-01-31"}, "phosphate expired on 2026-01-31. Open a fresh"),
        ({"name": "carbonate"}, "does not lie between the calibration buffers"),
        ({"name": "borax"}, "does not lie between the calibration buffers"),
    ],
)
def test_a_buffer_that_shows_nothing_is_no_check_and_puts_no_result_in_doubt(
    asked: dict[str, Any], told: str
) -> None:
    settings = cell_settings(bracket_ph=(4.005, 9.18))
    mv = settings.line.mv(buffer("iupac-2002", asked["name"]).ph(25.0), 25.0)
    measured = {
        "id": "live-feed-room.1.5", "verdict": "accepted", "reasons": [], "temperature_c": 25.0,
        "mv": mv, "mv_standard_uncertainty": 0.05,
    }  # fmt: skip
    arguments = CheckArguments(
        via="socket",
        cell="live-feed-room",
        method="buffer",
        buffer={"set": "iupac-2002", **asked},
        tolerance=0.05,
    )

    def judged() -> str:
        at = rfc3339(ANCHOR_UTC_MS)
        return judged_check(
            arguments, [measured], settings, body_id="daemon.1.9", at=at, since=None, temperature_c=25.0
        ).verdict

    if told:
        with pytest.raises(CommandError, match=f"no check: .*{told}"):
            judged()
    else:
        assert judged() == "passed"


@pytest.mark.parametrize(
    ("reasons", "why"),
    [
        ([], ""),
        (["max-wait", "check-failed"], ""),
        (["max-wait", "not-at-rest"], "not-at-rest"),
        (["gap"], "gap"),
    ],
)
def test_a_value_that_never_came_to_rest_is_compared_with_nothing(reasons: list[str], why: str) -> None:
    measured = {"id": "larval-hall.1.4", "verdict": "refused", "reasons": reasons, "ph": 7.05}
    arguments = CheckArguments(
        via="socket", cell="live-feed-room", method="comparison", known=7.06, tolerance=0.1
    )

    def judged() -> str:
        at, now_c = rfc3339(ANCHOR_UTC_MS), 25.0
        return judged_check(
            arguments, [measured], cell_settings(), body_id="d.1.9", at=at, since=None, temperature_c=now_c
        ).verdict

    if why:
        with pytest.raises(CommandError, match=rf"1\.4 did not come to rest \({why}\)"):
            judged()
    else:
        assert judged() == "passed"
