"""Meters that come and go leave nothing behind but their gaps."""

from pathlib import Path

import pytest

from quietcell.service import metering
from tests.support.unplugging import unplug_and_plug

pytestmark = pytest.mark.live


async def test_unplugged_meters_leave_gaps_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(metering, "REOPEN_LONGEST_S", 0.2)
    left = await unplug_and_plug(tmp_path, meters=2, cycles_each=3, lines_per_s=50, away_s=0.1)
    assert left.descriptors[1] == left.descriptors[0]
    assert left.tasks[1] == left.tasks[0]
    assert left.reopened == len(left.gaps) == left.cycles
    assert left.readings > 2 * left.cycles
    assert left.false_readings == 0
