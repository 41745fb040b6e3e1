"""What the contributors' page says anyone can do with a ledger can be done."""

import re
from dataclasses import replace
from pathlib import Path

import pytest

from quietcell.core.electrode.influences import LowIonicCheck
from quietcell.core.electrode.nernst import Line
from quietcell.core.times import rfc3339
from tests.support.cell_bench import Bench, meter_readings
from tests.support.streams import cell_settings

PAGE = Path(__file__).parents[2] / "DEVELOPERS.md"
SNIPPETS = re.findall(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)


async def test_chain_and_determinations_are_recomputed_with_nothing_but_the_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = Bench(tmp_path / "state")
    check = LowIonicCheck(bias_ph=0.06, standard_uncertainty_ph=0.02)
    settings = replace(
        cell_settings(line=Line(slope_pct=97.3, zero_mv=-4.2, isopotential_ph=6.7)),
        low_ionic=check,
        low_ionic_id="daemon.1.4",
        low_ionic_at=rfc3339(1_790_000_000_000),
        every_s=40.0,
    )
    await bench.run(meter_readings(150), 155, settings=settings)
    bodies = [stored.body() for stored in bench.ledger.journal.of_kind("determination")]
    await bench.ledger.close()
    monkeypatch.chdir(tmp_path)
    capsys.readouterr()
    chain, determinations = SNIPPETS
    exec(compile(chain, str(PAGE), "exec"), {})  # noqa: S102 # the project's own page
    exec(compile(determinations, str(PAGE), "exec"), {})  # noqa: S102 # the same
    head, *told = capsys.readouterr().out.splitlines()
    assert re.fullmatch(r"[0-9a-f]{64}", head)
    judged = [body for body in bodies if body["ph"] is not None]
    assert len(judged) > 2
    assert [line.split()[0] for line in told] == [body["id"] for body in judged]
