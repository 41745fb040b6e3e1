"""Notes, things that move between cells, their condition, and what is due."""

from dataclasses import fields, replace
from datetime import date
from pathlib import Path
from typing import Literal

import pytest

from quietcell.config import Config, load_config
from quietcell.core.bench_records import CalibrationBody, CheckBody
from quietcell.core.calibration_record import Bottle, calibration_body, judge_calibration
from quietcell.core.electrode.buffers import buffer
from quietcell.core.electrode.nernst import Line
from quietcell.core.ingress.episode import EpisodeBody, EpisodeEvidence
from quietcell.core.ingress.event import State
from quietcell.core.records import Json
from quietcell.core.settings import CellSettings
from quietcell.core.times import rfc3339
from quietcell.errors import ArgumentError, CommandError
from quietcell.service.attendance import Attendances
from quietcell.service.calibrating import Calibrating
from quietcell.service.checking import Checking
from quietcell.service.drivers import InstalledDrivers
from quietcell.service.in_force import in_force, with_in_force
from quietcell.service.keeping import Keeping
from quietcell.service.records import DaemonIds
from tests.support.bench_meter import configure
from tests.support.cell_bench import CELL, Measuring
from tests.support.streams import ANCHOR_UTC_MS, cell_settings

LIMITS = "[cells.live-feed-room.limits]\nelectrolyte_every_d = 90.0\ncheck_every_d = 30.0\n"
GOOD = Line(slope_pct=98.4, zero_mv=3.1)
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
        assert (answer["left"], answer["calibrated"], answer["fixed"]) == (None, False, False)
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


async def test_care_of_another_electrode_is_none_of_the_one_that_comes(tmp_path: Path) -> None:
    limits = f"{LIMITS}cleaning_every_d = 60.0\ntubing_every_d = 90.0\n"
    async with Measuring(tmp_path) as measuring:
        keeper = keeping(measuring, config_of(tmp_path, limits))
        await measuring.run(3)
        for work in ("electrolyte-refilled", "cleaned", "tubing-changed"):
            await keeper.note({**WHO, "work": work})
        care = {"cleaned": False, "electrolyte-refilled": False, "tubing-changed": False}
        assert due(await keeper.kept(WHO)) == {**care, "check": True}
        named = {**WHO, "thing": "electrode", "name": "probe-7", "already_there": True}
        (note, *_) = measuring.bodies("note")
        assert (await keeper.thing(named))["body"]["electrolyte_at"] == note["at"]
        assert due(await keeper.kept(WHO)) == {**care, "check": True}
        await keeper.thing({**WHO, "thing": "electrode", "name": "probe-8"})
        other = {**care, "cleaned": True, "electrolyte-refilled": True, "check": True}
        assert due(await keeper.kept(WHO)) == other


async def test_what_is_suspected_of_an_electrode_goes_with_it_until_it_is_calibrated(tmp_path: Path) -> None:
    async with Measuring(tmp_path) as measuring:
        keeper = keeping(measuring, config_of(tmp_path))
        await measuring.run(3)
        put = {**WHO, "thing": "electrode", "name": "probe-7"}
        assert (await keeper.thing(put))["body"]["condition_reasons"] == []
        await measuring.ledger.record([drift("opened"), drift("updated")])
        for state, after in (("stored", [drift("closed")]), ("in-use", []), ("stored", [])):
            moved = (await keeper.thing({**put, "state": state}))["body"]
            assert moved["condition"] == "maintenance-required"
            (reason,) = moved["condition_reasons"]
            assert reason == f"its junction drifted in {CELL} from {LATER} on (live-feed-room.1.7)"
            await measuring.ledger.record(after)
        await measuring.ledger.record([calibration_of("probe-7", at="2099-01-01T00:00:00.000Z")])
        assert "drifted" not in str((await keeper.thing(put))["body"]["condition_reasons"])


async def test_what_cannot_be_is_refused_with_what_to_do(tmp_path: Path) -> None:
    fixed = LIMITS.replace("[cells", 'electrode = "probe-7"\n[cells', 1)
    async with Measuring(tmp_path) as measuring:
        keeper = keeping(measuring, config_of(tmp_path, fixed))
        other = {**WHO, "thing": "electrode", "name": "probe-8"}
        with pytest.raises(CommandError, match=r"probe-7 is in this cell: cells\.live-feed-room\.electrode"):
            await keeper.thing(other)
        with pytest.raises(ArgumentError, match="no record names probe-9"):
            await keeper.kept({**WHO, "history_of": "probe-9"})
        meter = {**WHO, "thing": "meter", "name": "bench-meter"}
        await keeper.thing(meter)
        with pytest.raises(CommandError, match="other-meter is not in this cell; bench-meter is"):
            await keeper.thing({**meter, "name": "other-meter", "state": "retired"})


async def test_a_thing_is_put_into_a_cell_that_a_reload_is_about_to_end(tmp_path: Path) -> None:
    async with Measuring(tmp_path) as measuring:
        keeper = keeping(measuring, config_of(tmp_path).model_copy(update={"cells": {}}))
        told = await keeper.thing({**WHO, "thing": "electrode", "name": "probe-7"})
        assert (told["body"]["name"], told["fixed"]) == ("probe-7", False)


async def test_an_electrode_the_configuration_names_elsewhere_is_not_put_into_a_second_cell(
    tmp_path: Path,
) -> None:
    other = '[cells.nursery]\ndriver = "simulated"\nelectrode = "probe-7"\n'
    async with Measuring(tmp_path) as measuring:
        keeper = keeping(measuring, config_of(tmp_path, LIMITS + other))
        put = {**WHO, "thing": "electrode", "name": "probe-7"}
        with pytest.raises(CommandError, match=r"probe-7 is in nursery: cells\.nursery\.electrode"):
            await keeper.thing(put)
        assert measuring.bodies("electrode") == []
        await keeper.thing({**put, "thing": "meter"})  # of the same name, and nothing else


async def test_an_electrode_that_gets_a_name_where_it_is_keeps_its_calibration(tmp_path: Path) -> None:
    async with Measuring(tmp_path) as measuring:
        keeper = keeping(measuring, config_of(tmp_path))
        await measuring.run(3)
        await measuring.ledger.record([calibration_of(None)])
        put = {**WHO, "thing": "electrode", "name": "probe-7", "already_there": True}
        assert (await keeper.thing(put))["calibrated"]
        assert measuring.cell.settings.calibration_id == "daemon.7.99"
        history = (await keeper.kept({**WHO, "history_of": "probe-7"}))["history"]
        assert [body["record"] for body in history] == ["calibration", "electrode"]
        with pytest.raises(CommandError, match="probe-7 has its name already"):
            await keeper.thing({**put, "name": "probe-8"})
        await keeper.thing({**WHO, "thing": "electrode", "name": "probe-8"})
        assert not measuring.cell.settings.calibrated


async def test_what_an_electrode_without_name_was_calibrated_for_goes_with_it(tmp_path: Path) -> None:
    async with Measuring(tmp_path) as measuring:
        keeper = keeping(measuring, config_of(tmp_path))
        await measuring.run(3)
        await measuring.ledger.record([calibration_of(None)])
        probe = {**WHO, "thing": "electrode", "name": "probe-7"}
        assert (await keeper.thing({**probe, "already_there": True}))["calibrated"]
        # Whatever stands in the cell once it has gone was never calibrated, named or not.
        assert not (await keeper.thing({**probe, "state": "retired"}))["calibrated"]
        assert "slope not measured yet" in str((await keeper.kept(WHO))["condition"]["findings"])
        await measuring.ledger.record([replace(calibration_of(None), id="daemon.7.100")])
        other = {**probe, "name": "probe-8"}
        assert (await keeper.thing({**other, "already_there": True}))["calibrated"]
        # One that comes back is known by its own calibrations alone.
        assert (await keeper.thing(probe))["calibrated"]
        assert not (await keeper.thing({**other, "name": "probe-9"}))["calibrated"]
        assert not (await keeper.thing({**other, "name": "probe-9", "state": "stored"}))["calibrated"]


async def test_a_thermometer_that_failed_its_check_stays_when_the_electrode_goes(tmp_path: Path) -> None:
    async with Measuring(tmp_path) as measuring:
        keeper = keeping(measuring, config_of(tmp_path))
        await measuring.run(3)
        await measuring.ledger.record([check_of_thermometer("daemon.7.97", "failed")])
        await keeper.thing({**WHO, "thing": "electrode", "name": "probe-7"})
        assert measuring.cell.settings.failed_check_id == "daemon.7.97"
        await measuring.ledger.record([check_of_thermometer("daemon.7.98", "passed")])
        await keeper.thing({**WHO, "thing": "electrode", "name": "probe-7", "state": "stored"})
        assert measuring.cell.settings.failed_check_id is None


def check_of_thermometer(body_id: str, verdict: Literal["passed", "failed"]) -> CheckBody:
    """A check of the cell's thermometer against another."""
    return CheckBody(
        id=body_id,
        cell=CELL,
        at=LATER,
        method="temperature",
        operator=None,
        electrode=None,
        meter=None,
        calibration_id=None,
        verdict=verdict,
        known=25.0,
        known_from="another thermometer",
        known_expanded_uncertainty=None,
        found=None,
        deviation=None,
        tolerance=0.2,
        unit="Cel",
        measurements=(),
        refusals=(),
        since=None,
        comment=None,
    )


LATER = "2098-01-01T00:00:00.000Z"


def drift(state: State) -> EpisodeBody:
    """A drift of the junction of the cell's electrode."""
    nothing = dict.fromkeys(field.name for field in fields(EpisodeEvidence))
    return EpisodeBody(
        id=f"live-feed-room.1.7-{state}",
        cell=CELL,
        at=LATER,
        episode="live-feed-room.1.7",
        diagnosis="junction-drift",
        place="unlocated",
        state=state,
        began=LATER,
        flagged_at=LATER,
        closed_at=None,
        confirmed=False,
        evidence=EpisodeEvidence(**{**nothing, "log_likelihood_ratios": {}}),  # type: ignore[arg-type] # numbers do not matter
        text="The junction drifts.",
    )


def calibration_of(electrode: str | None, *, at: str = rfc3339(ANCHOR_UTC_MS)) -> CalibrationBody:
    """A calibration of the cell by two buffers."""
    points = [
        Bottle(buffer=buffer("iupac-2002", name), measurement=at_rest(name, GOOD.mv(ph, 25.0)))
        for name, ph in (("phthalate", 4.005), ("borax", 9.18))
    ]
    judged = judge_calibration(
        points,
        before=None,
        on=date(2026, 11, 26),
        expected_ph=None,
        temperature_standard_uncertainty_c=0.1,
    )
    settings = cell_settings(electrode=electrode)
    return calibration_body(
        judged,
        settings,
        body_id="daemon.7.99",
        at=at,
        operator=None,
        use=True,
        expires=None,
    )


def at_rest(name: str, mv: float) -> dict[str, Json]:
    return {
        "id": f"measured-{name}",
        "verdict": "accepted",
        "mv": mv,
        "mv_standard_uncertainty": 0.05,
        "temperature_c": 25.0,
        "response_time_s": None,
        "noise_mv": 0.02,
    }


async def test_what_was_measured_with_another_electrode_neither_calibrates_nor_checks_this_one(
    tmp_path: Path,
) -> None:
    async with Measuring(tmp_path, seconds=300) as measuring:
        attendances = Attendances({CELL: measuring.cell}, measuring.ledger, DaemonIds(17))
        bench = attendances, measuring.ledger, DaemonIds(18), measuring.clock
        calibrating, checking = Calibrating(*bench, fixed=lambda _: False), Checking(*bench)
        await measuring.run(40)
        result = measuring.bodies("determination")[-1]
        assert result["verdict"] == "accepted"
        here = {**WHO, "attendance": (await attendances.attend({**WHO, "work": "calibration"}))["attendance"]}
        await attendances.reference({**here, "purpose": "calibration", "solution": "phosphate"})
        await measuring.run(100)
        (buffer,) = measuring.bodies("reference-measurement")
        await attendances.leave({**here, "outcome": "aborted"})
        await keeping(measuring, config_of(tmp_path)).thing({**WHO, "thing": "electrode", "name": "glass-2"})
        here = {**WHO, "attendance": (await attendances.attend({**WHO, "work": "calibration"}))["attendance"]}
        point = {"set": "iupac-2002", "name": "phosphate", "measurement": buffer["id"]}
        told = "was measured with an electrode without a name, not the one in the cell now. Measure again"
        with pytest.raises(CommandError, match=told):
            await calibrating.calibrate({**here, "points": [point], "use": True})
        compared = {"method": "comparison", "known": 6.6, "tolerance": 0.5, "measurements": [result["id"]]}
        with pytest.raises(CommandError, match=told):
            await checking.check({**here, **compared})


async def test_a_value_of_an_older_calibration_is_not_compared_as_if_of_the_one_in_force(
    tmp_path: Path,
) -> None:
    async with Measuring(tmp_path) as measuring:
        attendances = Attendances({CELL: measuring.cell}, measuring.ledger, DaemonIds(17))
        checking = Checking(attendances, measuring.ledger, DaemonIds(18), measuring.clock)
        await measuring.run(40)
        asked = {**WHO, "method": "comparison", "known": 6.6, "tolerance": 0.5}
        assert (await checking.check(asked))["body"]["verdict"] == "passed"
        await measuring.cell.reconfigure(cell_settings(calibration_id="daemon.1.7"))
        with pytest.raises(CommandError, match="by another calibration than the one in force now"):
            await checking.check(asked)
