"""Who asks for a determination gets one, once, with its outcome; recovery and replay know of it."""

import asyncio
from pathlib import Path

import pytest

from quietcell.core.engine import Engine
from quietcell.core.recording_reader import read_recording
from quietcell.core.records import Json
from quietcell.errors import CommandError, RecordingError
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles
from quietcell.service.export import recording_lines
from quietcell.service.given import labelled_input
from quietcell.service.recovery import recover
from quietcell.service.replay import replay
from quietcell.service.stored_input import StoredInput
from tests.support.cell_bench import CELL, Measuring
from tests.support.streams import cell_settings


async def test_a_request_supersedes_the_cells_own_determination_and_is_answered(tmp_path: Path) -> None:
    async with Measuring(tmp_path) as measuring:
        await measuring.run(5.3)
        told = await measuring.ask(sample_id="S-17", operator="night shift")
        assert (told["state"], told["determination"], told["repeated"]) == ("open", None, False)
        await measuring.run(40)
        (request,) = measuring.bodies("request")
        own, asked, *_ = measuring.bodies("determination")
        assert (request["id"], request["via"]) == (told["request"], "socket")
        assert request["id"].startswith("daemon.")
        assert (own["verdict"], own["reasons"][0], own["ended"]) == ("refused", "superseded", request["at"])
        assert "request" not in own
        assert (asked["verdict"], asked["mode"], asked["began"]) == ("accepted", "on-request", request["at"])
        assert (asked["request"], asked["sample_id"], asked["operator"]) == (
            request["id"],
            "S-17",
            "night shift",
        )
        outcome = await measuring.requests.outcome(
            {"via": "socket", "cell": CELL, "request": told["request"], "wait_s": 5.0}
        )
        assert outcome["state"] == "ended"
        assert outcome["determination"]["body"] == asked


async def test_request_and_what_the_engine_makes_of_it_are_neighbours_in_the_journal(tmp_path: Path) -> None:
    async with Measuring(tmp_path) as measuring:
        await measuring.run(5)
        await measuring.ask()
        kinds = [body["record"] for body in measuring.bodies()]
        assert kinds[-2:] == ["request", "determination"]


async def test_a_second_request_is_busy_and_the_first_goes_on(tmp_path: Path) -> None:
    async with Measuring(tmp_path, mode="on-request") as measuring:
        await measuring.run(2)
        first = await measuring.ask(sample_id="S-1")
        await measuring.run(3)
        second = await measuring.ask(sample_id="S-2")
        assert second["state"] == "ended"
        assert second["determination"]["body"]["reasons"] == ["busy"]
        assert second["determination"]["body"]["request"] == second["request"]
        await measuring.run(40)
        verdicts = {body["sample_id"]: body["verdict"] for body in measuring.bodies("determination")}
        assert verdicts == {"S-1": "accepted", "S-2": "refused"}
        assert first["request"] != second["request"]


async def test_the_same_reference_again_begins_nothing_and_tells_the_outcome(tmp_path: Path) -> None:
    async with Measuring(tmp_path, mode="on-request") as measuring:
        await measuring.run(2)
        both = await asyncio.gather(*(measuring.ask(reference="lims/7", sample_id="S-1") for _ in range(2)))
        assert [told["repeated"] for told in both] == [False, True]
        await measuring.run(40)
        later = await measuring.ask(reference="lims/7", sample_id="S-1")
        assert later["determination"]["body"]["verdict"] == "accepted"
        assert {told["request"] for told in (*both, later)} == {both[0]["request"]}
        assert len(measuring.bodies("request")) == len(measuring.bodies("determination")) == 1
        with pytest.raises(CommandError, match="lims/7 stands for another request"):
            await measuring.ask(reference="lims/7", sample_id="S-2")


async def test_waiting_for_an_outcome_ends_with_the_determination_or_the_time(tmp_path: Path) -> None:
    async with Measuring(tmp_path, mode="on-request") as measuring:
        await measuring.run(2)
        told = await measuring.ask()
        question = {"via": "socket", "cell": CELL, "request": told["request"]}
        assert (await measuring.requests.outcome(question))["state"] == "open"
        waiting = asyncio.create_task(measuring.requests.outcome({**question, "wait_s": 20}))
        await measuring.run(40)
        assert (await waiting)["determination"]["body"]["verdict"] == "accepted"


@pytest.mark.parametrize(
    ("request_", "text"),
    [
        ({"cell": "boiler-room"}, "no cell boiler-room; there is live-feed-room"),
        ({"cell": "a/b"}, "cell: "),
        ({"sample_id": 7}, "sample_id: "),
        ({"sample_id": "S\0"}, "sample_id: must be one line of printable text"),
        ({"sample_id": "S" * 201}, "sample_id: "),
        ({"sample_id": "\ud800"}, "sample_id: "),
        ({"reference": "seven of nine"}, "reference: "),
        ({"launch": True}, "launch: "),
        ({"\ud800": True}, "request: "),
        ({"response_topic": "lims/answers"}, "only a request by MQTT"),
    ],
)
async def test_a_wrong_request_is_told_what_is_wrong_and_changes_nothing(
    tmp_path: Path, request_: dict[str, Json], text: str
) -> None:
    async with Measuring(tmp_path, mode="on-request") as measuring:
        await measuring.ledger.flush()
        before = measuring.bodies()
        with pytest.raises(CommandError, match=text):
            await measuring.ask(**request_)
        await measuring.ledger.flush()
        assert measuring.bodies() == before


async def test_a_cell_that_is_not_measuring_says_so(tmp_path: Path) -> None:
    async with Measuring(tmp_path) as measuring:
        await measuring.stop()
        with pytest.raises(CommandError, match="live-feed-room: not measuring now"):
            await measuring.ask()
        with pytest.raises(CommandError, match=r"no request daemon\.1\.99"):
            await measuring.requests.outcome({"via": "socket", "cell": CELL, "request": "daemon.1.99"})


async def test_recovery_feeds_requests_again(tmp_path: Path) -> None:
    async with Measuring(tmp_path, seconds=60) as measuring:
        await measuring.run(5.3)
        await measuring.ask(sample_id="S-17")
        await measuring.ask(sample_id="S-18")
        await measuring.run(55)
        await measuring.stop()
        whole = measuring.bodies()
        engine = Engine(cell_settings())
        steps = StoredInput(measuring.ledger.journal, measuring.ledger.readings, CELL)
        items = [step.item for step in steps if step.item is not None]
        again = [body.as_json() for item in items for body in engine.take(item)]
        assert again == [body for body in whole if not body["id"].startswith("daemon.")]
        # What a kill leaves: everything behind the second request is missing, the readings are there.
        kept = next(n for n, body in enumerate(whole) if body.get("sample_id") == "S-18") + 1
        measuring.ledger.journal._database.execute("DELETE FROM journal WHERE seq > ?", (kept,))
        found = recover(measuring.ledger.journal, measuring.ledger.readings, CELL)
        assert found is not None
        assert [body.as_json() for body in found.missing][:2] == whole[kept : kept + 2]


async def test_an_exported_run_with_requests_replays_to_the_same_bodies(tmp_path: Path) -> None:
    async with Measuring(tmp_path, seconds=60) as measuring:
        await measuring.run(5.3)
        await measuring.ask(sample_id="S 17; „ü“, 5 %", operator="night shift")
        await measuring.ask()
        await measuring.run(55)
    with Journal(tmp_path) as journal:
        readings = ReadingsFiles(tmp_path, read_only=True)
        lines = [line + "\n" for line in recording_lines(journal, readings, CELL)]
        readings.close()
        stored = [r.body() for r in journal.all() if not r.body()["id"].startswith("daemon.")]
    pieces = read_recording(lines, name="live-feed-room.csv")
    assert [body.as_json() for body in replay(pieces, cell_settings())] == stored
    assert sum(body["record"] == "determination" for body in stored) >= 3


@pytest.mark.parametrize("label", ["%7B%7D", "5", "%ff", "%7B%22id%22%3A%205%7D", "null"])
def test_a_mark_that_stands_for_nothing_known_is_refused(label: str) -> None:
    with pytest.raises(RecordingError, match="unknown mark 'given-request"):
        labelled_input(("given-request", label), 5)
    with pytest.raises(RecordingError, match="unknown mark 'given-launch"):
        labelled_input(("given-launch", "%7B%7D"), 5)
