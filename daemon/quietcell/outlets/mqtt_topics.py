"""Which topics a record goes to, and what stands on them."""

import re

from quietcell.config.fields import NAME_PATTERN
from quietcell.core.alarms.states import SHOWN, AlarmState
from quietcell.core.records import Json
from quietcell.errors import ContractError
from quietcell.ledger.chain import Stored
from quietcell.ledger.journal import Journal

OPEN_TOPICS = {"episode": "episode", "doubt": "doubt"}
RESULTS = ("accepted", "qualified")
REQUEST, REPLAY, ALARM_REQUEST = "request", "replay", "alarm-request"
_NAME = re.compile(NAME_PATTERN)


def retained_value(site: str, body: dict[str, Json], payload: str) -> tuple[str, str] | None:
    """Return topic and retained payload a record leaves behind; an empty payload clears what stood there.

    An alarm stands on its topic for as long as people should see it.
    """
    if body["record"] != "alarm":
        return None
    topic = f"quietcell/{site}/{body['cell']}/alarm/{body['alarm']}"
    return topic, payload if AlarmState(body["state"]) in SHOWN else ""


def topics_of(site: str, body: dict[str, Json]) -> list[str]:
    """Return the topics a record goes to, none for what stays in the ledger.

    Raises
    ------
    ContractError
        If the cell's name could not be one level of a topic.

    Examples
    --------
    >>> topics_of("merrow-sound", {"record": "determination", "cell": "larval-hall", "verdict": "accepted"})
    ['quietcell/merrow-sound/larval-hall/determination', 'quietcell/merrow-sound/larval-hall/result']
    """
    names = [OPEN_TOPICS[body["record"]]] if body["record"] in OPEN_TOPICS else []
    if body["record"] == "alarm" and AlarmState(body["state"]) not in SHOWN:
        names = [f"alarm/{body['alarm']}"]  # that it is over is told once; while shown it is retained
    if body["record"] == "determination":
        names = ["determination", "result"] if body["verdict"] in RESULTS else ["determination"]
    if names and not _NAME.match(body["cell"]):
        raise ContractError(f"cell is {body['cell']!r}; no name that a topic could hold")
    return [f"quietcell/{site}/{body['cell']}/{name}" for name in names]


def asked_on(site: str) -> list[str]:
    """Return the topics on which others may ask for something."""
    cells = f"quietcell/{site}/+"
    return [f"{cells}/{REQUEST}", f"{cells}/{ALARM_REQUEST}", f"quietcell/{site}/{REPLAY}"]


def messages_again(site: str, record: Stored, *, retain: bool) -> list[tuple[str, str, bool]]:
    """Return topic, payload and whether it is retained of each message that sends a record again.

    Parameters
    ----------
    site : str
        Name of the site.
    record : Stored
        The record.
    retain : bool
        Whether it may change what stands on a topic.
    """
    messages = [(topic, record.text, False) for topic in topics_of(site, record.body())]
    if (retained := retained_value(site, record.body(), record.text)) is not None:
        topic, value = retained
        if retain:
            messages.append((topic, value, True))
        elif not messages:
            messages.append((topic, record.text, False))
    return messages


def still_holds(journal: Journal, record: Stored) -> bool:
    """Tell whether an alarm's record is its latest, so that it belongs on the alarm's topic."""
    body = record.body()
    if body["record"] != "alarm":
        return False
    return next(
        later.seq == record.seq
        for later in journal.latest(body["cell"], "alarm")
        if later.body()["alarm"] == body["alarm"]
    )
