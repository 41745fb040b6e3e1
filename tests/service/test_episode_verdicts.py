"""People confirm and reject episodes; their word is journalled before it counts, and recomputed."""

from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from quietcell.core.engine import Engine
from quietcell.errors import ArgumentError, CommandError
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles
from quietcell.service.episode_verdicts import EpisodeVerdicts
from quietcell.service.given import given_input, given_labels, labelled_input
from quietcell.service.records import DaemonIds
from quietcell.service.stored_input import StoredInput
from tests.support.cell_bench import CELL, Measuring
from tests.support.command import ran
from tests.support.page_tables import Page
from tests.support.reporting import table
from tests.support.streams import cell_settings, readings


def verdicts(measuring: Measuring) -> EpisodeVerdicts:
    return EpisodeVerdicts({CELL: measuring.cell}, measuring.ledger, DaemonIds(7))


def test_what_was_said_of_episodes_is_fed_again_from_its_record_and_from_an_export() -> None:
    body = {
        "record": "operator-verdict",
        "id": "daemon.1.4",
        "segment": 1,
        "ms": 5000,
        "episode": "live-feed-room.1.9",
        "verdict": "reject",
    }
    flow_test = {"record": "flow-test", "id": "daemon.1.5", "segment": 1, "ms": 5000, "verdict": "leak"}
    for record in (body, flow_test):
        item = given_input(record)
        assert item.ms == 5000
        assert labelled_input(given_labels(record), 5000) == item


async def test_a_verdict_on_what_is_no_episode_is_refused_and_nothing_is_kept(tmp_path: Path) -> None:
    async with Measuring(tmp_path) as measuring:
        await measuring.run(5)
        asked = {"via": "socket", "cell": CELL, "episode": "live-feed-room.1.1", "verdict": "reject"}
        with pytest.raises(ArgumentError, match=r"no episode live-feed-room\.1\.1.*open now: none"):
            await verdicts(measuring).episode(asked)
        with pytest.raises(CommandError, match="verdict"):
            await verdicts(measuring).episode({**asked, "verdict": "perhaps"})
        with pytest.raises(CommandError, match="no cell larval-hall; there is live-feed-room"):
            await verdicts(measuring).episode({**asked, "cell": "larval-hall"})
        assert measuring.bodies("operator-verdict") == []


async def test_a_rejected_episode_closes_with_the_word_that_closed_it_and_is_judged_alike_again(
    tmp_path: Path,
) -> None:
    plain = readings(150)[::3]
    flowing = replace(plain, flow_ml_min=np.where(plain.ms < 40_000, 80.0, 0.0))
    async with Measuring(tmp_path, block=flowing) as measuring:
        await measuring.run(115)
        (opened,) = measuring.bodies("episode")
        await measuring.ask()  # a determination ends in it
        asked = {"via": "page", "cell": CELL, "operator": "day shift", "episode": opened["id"]}
        told = await verdicts(measuring).episode({**asked, "verdict": "reject", "why": "valve shut by us"})
        said, closed = measuring.bodies()[-2:]
        assert (said["record"], said["why"], said["operator"]) == (
            "operator-verdict",
            "valve shut by us",
            "day shift",
        )
        assert (closed["record"], closed["state"], closed["episode"]) == ("episode", "closed", opened["id"])
        assert told["episode"]["body"] == closed
        assert "was rejected: what is read is the new normal" in closed["text"]
        with pytest.raises(CommandError, match="is not open; open now: none"):
            await verdicts(measuring).episode({**asked, "verdict": "confirm"})
        await measuring.stop()
        caught = next(body["id"] for body in measuring.bodies("determination") if body["episodes"])
        live = [body for body in measuring.bodies() if not body["id"].startswith("daemon.")]
    engine = Engine(cell_settings())
    with Journal(tmp_path) as journal, closing(ReadingsFiles(tmp_path, read_only=True)) as files:
        steps = StoredInput(journal, files, CELL)
        items = [step.item for step in steps if step.item is not None]
    assert [body.as_json() for item in items for body in engine.take(item)] == live
    report, out = ("report", "--ledger", tmp_path, "--out"), tmp_path.parent / "report.html"
    ran(*report, out)
    assert "rejected: valve shut by us" in table(Page(out), CELL, "acts").rows[0][2].text
    ran(*report, out, "--determination", caught)
    assert "day shift rejected: valve shut by us" in Page(out).tables["episodes"].rows[0][5].text
