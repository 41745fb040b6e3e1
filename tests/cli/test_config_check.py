"""What `config check` finds, and what it names without calling it a fault."""

from pathlib import Path

import pytest

from quietcell.config import example_text
from quietcell.ledger import file_system
from tests.support.command import ran


def test_the_example_passes_its_own_check(tmp_path: Path) -> None:
    path = tmp_path / "example.toml"
    path.write_text(example_text())
    assert "live-feed-room" in ran("config", "check", "--config", path).out


def test_faults_of_a_configuration_end_with_78_and_their_lines(tmp_path: Path) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text('[site]\nname = 5\n[cells.hall]\ndriver = "line-straem"\nsettings = {}\n')
    lines = ran("run", "--config", path, status=78).err.splitlines()
    assert any(line.startswith(f"{path}:2: site.name") for line in lines)
    assert any("line-stream" in line for line in lines if line.startswith(f"{path}:4"))


def test_a_check_looks_for_the_files_of_secrets_and_certificates(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "quietcell.toml"
    beside = {name: tmp_path / name for name in ("password", "ca.pem", "cert.pem", "key.pem")}
    path.write_text(
        '[site]\nname = "x"\n[store]\nfolder = "state"\n[cells.hall]\ndriver = "simulated"\n'
        '[panel]\ntoken = { credential = "token", file = "nowhere" }\n'
        '[outlets.mqtt]\nhost = "127.0.0.1"\nusername = "u"\npassword = { file = "password" }\n'
        'tls = { ca = "ca.pem", cert = "cert.pem", key = "key.pem" }\n'
    )
    check = ("config", "check", "--config", str(path))
    credential, *told = ran(*check, status=78).err.splitlines()
    assert credential.startswith(f"{path}:8: panel.token: credential token is handed over at a start")
    keys = ["password", "tls.ca", "tls.cert", "tls.key"]
    for line, key, number, file in zip(told, keys, (12, 13, 13, 13), beside.values(), strict=True):
        assert line.startswith(f"{path}:{number}: outlets.mqtt.{key}: {file} cannot be read: No such file")
    for file in beside.values():
        file.write_text("none")
        file.chmod(0o600)
    assert "outlets.mqtt.tls.ca: " in (told_now := ran(*check, status=78).err)
    assert "holds no certificate in PEM form" in told_now
    beside["password"].chmod(0o640)
    # The daemon's user may be another.
    monkeypatch.setattr("os.access", lambda name, _mode: Path(name).suffix == ".toml")
    assert "must be 0600 or tighter" in ran(*check, status=78).err
    beside["password"].chmod(0o600)
    assert "tls.key: " in (told_now := ran(*check).err)
    assert "cannot be read by you; the daemon's user must be able to" in told_now


def test_a_check_finds_folders_that_cannot_be_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, mounts = tmp_path / "quietcell.toml", tmp_path / "mounts"
    mounts.write_text(f"36 25 0:31 / {tmp_path} rw - nfs4 sea:/ rw\n")
    monkeypatch.setattr(file_system, "MOUNTS", mounts)
    (tmp_path / "results").touch()
    path.write_text(
        '[site]\nname = "x"\n[store]\nfolder = "state"\n[cells.hall]\ndriver = "simulated"\n'
        '[outlets.files]\nfolder = "results"\n'
    )
    store, results = ran("config", "check", "--config", path, status=78).err.splitlines()
    assert store.startswith(f"{path}:4: store.folder: ")
    assert "lies on a network file system (nfs4)" in store
    assert results == f"{path}:8: outlets.files.folder: {tmp_path}/results is a file; must be a folder"


def test_a_check_names_folders_closed_to_whoever_checks_which_is_no_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "quietcell.toml"
    path.write_text(
        '[site]\nname = "x"\n[store]\nfolder = "closed/state"\n[cells.hall]\ndriver = "simulated"\n'
    )
    (tmp_path / "closed").mkdir()
    monkeypatch.setattr("os.access", lambda name, _mode: Path(name).name != "closed")
    told = ran("config", "check", "--config", path).err
    assert told.startswith(f"{path}:4: store.folder: in {tmp_path}/closed nothing can be written by you")


def test_a_check_names_ports_that_are_not_there_which_is_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "quietcell.toml"
    path.write_text(
        '[site]\nname = "x"\n[store]\nfolder = "state"\n[cells.hall]\ndriver = "line-stream"\n'
        f'settings = {{ port = "{tmp_path}/gone", columns = ["mv"] }}\n'
    )
    assert ran("config", "check", "--config", path).err.startswith(
        f"{path}:7: cells.hall.settings: port {tmp_path}/gone is not"
    )


def test_a_check_names_meters_asked_too_seldom_for_their_criterion(tmp_path: Path) -> None:
    path = tmp_path / "quietcell.toml"
    path.write_text(
        '[site]\nname = "merrow-sound"\n[store]\nfolder = "state"\n[cells.hall]\ndriver = "line-poll"\n'
        'settings = { port = "socket://127.0.0.1:1", columns = ["mv"], question = "?", interval_s = 3.5 }\n'
    )
    (told,) = ran("config", "check", "--config", path).err.splitlines()
    assert told.startswith(
        f"{path}:7: cells.hall.settings: a reading every 3.5 s never fills the window of buf"
    )
    assert 'buffer_criterion = "buffer": min_readings = 10 in window_s = 30' in told


def test_a_check_names_recordings_that_are_not_there_which_is_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "quietcell.toml"
    path.write_text(
        '[site]\nname = "x"\n[store]\nfolder = "state"\n[cells.hall]\ndriver = "recording"\n'
        'settings = { file = "hall.csv" }\n'
    )
    told = f"{path}:7: cells.hall.settings: there is no file {tmp_path}/hall.csv now\n"
    for expected in (told, ""):
        assert ran("config", "check", "--config", path).err == expected
        (tmp_path / "hall.csv").touch()
