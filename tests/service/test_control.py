"""The control socket answers whoever may open it, wherever the ledger lies."""

import asyncio
import os
from pathlib import Path
from typing import Any

import pytest

from quietcell.core.records import Json
from quietcell.errors import CommandError, LedgerError, QuietcellError
from quietcell.service.commands import OfCell, checked
from quietcell.service.control import NAME, ControlSocket, ask


async def echo(request: dict[str, Json]) -> dict[str, Json]:
    return {"heard": request["text"]}


@pytest.mark.parametrize("depth", [1, 12], ids=["short", "longer than an address holds"])
async def test_a_command_is_answered_however_deep_the_folder_lies(tmp_path: Path, depth: int) -> None:
    folder = tmp_path.joinpath(*["a-folder-of-a-ledger"] * depth)
    folder.mkdir(parents=True)
    async with ControlSocket(folder, {"echo": echo}):
        assert (await ask(folder, {"command": "echo", "text": "°C"}))["heard"] == "°C"
        assert (folder / NAME).stat().st_mode & 0o777 == 0o660
    assert not (folder / NAME).exists()


async def test_a_long_answer_is_read_to_its_end(tmp_path: Path) -> None:
    async def long(_request: dict[str, Json]) -> dict[str, Json]:
        return {"history": ["x" * 1000] * 3000}

    async with ControlSocket(tmp_path, {"long": long}):
        assert len((await ask(tmp_path, {"command": "long"}))["history"]) == 3000


async def test_a_daemon_that_is_still_at_work_is_not_told_to_be_away(tmp_path: Path) -> None:
    async def slow(_request: dict[str, Json]) -> dict[str, Json]:
        await asyncio.Event().wait()
        return {}

    async with ControlSocket(tmp_path, {"slow": slow}):
        with pytest.raises(QuietcellError, match=r"no answer for 0 s\. It may still be at work on it"):
            await ask(tmp_path, {"command": "slow"}, timeout_s=0.05)
    with pytest.raises(QuietcellError, match="no daemon answers"):
        await ask(tmp_path, {"command": "slow"})


async def test_files_made_while_a_socket_is_made_keep_their_rights(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begin, record = asyncio.start_unix_server, tmp_path / "record"

    async def slowly(*args: Any, **keywords: Any) -> asyncio.Server:
        record.touch()
        return await begin(*args, **keywords)

    monkeypatch.setattr(asyncio, "start_unix_server", slowly)
    before = os.umask(0o027)
    try:
        async with ControlSocket(tmp_path, {"echo": echo}):
            assert (tmp_path / NAME).stat().st_mode & 0o777 == 0o660
    finally:
        os.umask(before)
    assert record.stat().st_mode & 0o777 == 0o640


def test_a_wrong_argument_is_told_by_name_and_what_it_must_be() -> None:
    with pytest.raises(CommandError) as told:
        checked(OfCell, {"cell": "hall", "via": "socket", "operator": "", "for_s": 5})
    assert "operator: must have at least 1 character" in str(told.value)
    assert "for_s: unknown" in str(told.value)
    with pytest.raises(CommandError, match=r"^cell: must be a name: lower-case letters a-z, digits and -$"):
        checked(OfCell, {"cell": "Larval hall", "via": "socket"})
    with pytest.raises(CommandError, match=r"^cell: must be text in quotes$"):
        checked(OfCell, {"cell": 5, "via": "socket"})
    with pytest.raises(CommandError, match=r"^cell: missing$"):
        checked(OfCell, {"via": "socket"})


async def test_a_socket_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / NAME).mkdir()
    with pytest.raises(LedgerError, match=rf"{NAME}: no socket can be made: .* Look at the folder's rights"):
        async with ControlSocket(tmp_path, {}):
            pass
