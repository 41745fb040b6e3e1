"""What stands on the topics of alarms: said again to a broker that forgot it, or to another one."""

import asyncio
from pathlib import Path

from quietcell.core.records import Json
from quietcell.ledger.journal import Journal
from quietcell.outlets.follower import finish
from quietcell.outlets.mqtt_topics import retained_value


class Standing:
    """Topics of alarms with what was last delivered to them.

    Parameters
    ----------
    site : str
        Name of the site, part of every topic.
    folder : Path
        Of the ledger.
    """

    def __init__(self, site: str, folder: Path) -> None:
        self._site = site
        self._folder = folder
        self._values: dict[str, str] | None = None
        """None until they were asked for."""

    async def at(self, seq: int) -> dict[str, str]:
        """Return them by topic; `seq` is the last record delivered."""
        if self._values is None:
            self._values = await finish(asyncio.to_thread(self._read, seq))
        return dict(self._values)

    def delivered(self, body: dict[str, Json], payload: str) -> None:
        """Take note of a record."""
        if self._values is not None:
            self._note(self._values, body, payload)

    def _read(self, seq: int) -> dict[str, str]:
        values: dict[str, str] = {}
        with Journal(self._folder) as journal:  # beside the writer, who has no time for it
            for owner in (*journal.cells(), "daemon"):
                for record in journal.of_cell(owner, kinds=("alarm",)):
                    if record.seq <= seq:
                        self._note(values, record.body(), record.text)
        return values

    def _note(self, values: dict[str, str], body: dict[str, Json], payload: str) -> None:
        if (retained := retained_value(self._site, body, payload)) is not None:
            topic, value = retained
            values.pop(topic, None)
            if value:
                values[topic] = value
