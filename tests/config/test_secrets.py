import json
import os
from pathlib import Path

import pytest
import rfc8785

from quietcell.config import check_private, effective_settings, parse_config, read_secret
from quietcell.errors import ConfigError
from tests.config.fake_drivers import DRIVERS

KEY = "outlets.mqtt.password"


@pytest.fixture
def secret_file(tmp_path: Path) -> Path:
    path = tmp_path / "mqtt-password"
    path.write_text("periwinkle\n")
    path.chmod(0o600)
    return path


def test_a_credential_goes_before_a_file(tmp_path: Path, secret_file: Path) -> None:
    folder = tmp_path / "credentials"
    folder.mkdir()
    (folder / "mqtt").write_text("limpet")
    environ = {"CREDENTIALS_DIRECTORY": str(folder)}
    found = read_secret(KEY, credential="mqtt", file=secret_file, environ=environ)
    assert found.get_secret_value() == "limpet"


@pytest.mark.parametrize("environ", [{}, {"CREDENTIALS_DIRECTORY": "/nowhere"}])
def test_without_the_credential_the_file_counts(secret_file: Path, environ: dict[str, str]) -> None:
    found = read_secret(KEY, credential="mqtt", file=secret_file, environ=environ)
    assert found.get_secret_value() == "periwinkle"


def test_a_secret_is_masked_when_shown(secret_file: Path) -> None:
    found = read_secret(KEY, credential=None, file=secret_file)
    assert "periwinkle" not in f"{found} {found!r}"


def test_a_credential_that_nobody_hands_over_says_how_to() -> None:
    with pytest.raises(ConfigError, match=r"CREDENTIALS_DIRECTORY is not set; start the daemon with Load"):
        read_secret(KEY, credential="mqtt", file=None, environ={})
    with pytest.raises(ConfigError, match=r"password: credential mqtt was not handed .* were: none\. "):
        read_secret(KEY, credential="mqtt", file=None, environ={"CREDENTIALS_DIRECTORY": "/nowhere"})


def test_a_file_that_was_to_stand_in_for_a_credential_is_not_the_only_thing_told_of(tmp_path: Path) -> None:
    with pytest.raises(
        ConfigError, match=r"password: .*gone cannot be read: .*; and credential mqtt was not"
    ):
        read_secret(KEY, credential="mqtt", file=tmp_path / "gone", environ={"CREDENTIALS_DIRECTORY": "/no"})


def test_a_credential_of_another_name_is_told_with_those_that_were_handed_over(tmp_path: Path) -> None:
    for name in ("unit_page-token", "unit_mqtt"):
        (tmp_path / name).write_text("limpet")
    with pytest.raises(ConfigError, match=r"mqtt was not .*: unit_mqtt, unit_page-token\. .* a restart, not"):
        read_secret(KEY, credential="mqtt", file=None, environ={"CREDENTIALS_DIRECTORY": str(tmp_path)})


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o700, 0o666])
def test_a_file_open_to_others_is_refused(secret_file: Path, mode: int) -> None:
    secret_file.chmod(mode)
    with pytest.raises(ConfigError, match=rf"has mode {mode:04o}; must be 0600 or tighter: chmod 600"):
        read_secret(KEY, credential=None, file=secret_file)
    with pytest.raises(ConfigError, match=r"must be 0600"):
        check_private("outlets.mqtt.tls.key", secret_file)


@pytest.mark.parametrize("mode", [0o600, 0o400])
def test_a_private_file_is_taken(secret_file: Path, mode: int) -> None:
    secret_file.chmod(mode)
    check_private(KEY, secret_file)
    assert read_secret(KEY, credential=None, file=secret_file).get_secret_value() == "periwinkle"


def test_a_file_of_another_user_is_refused(secret_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    owner = secret_file.stat().st_uid
    real = os.fstat

    def someone_elses(descriptor: int) -> os.stat_result:
        values = list(real(descriptor))
        values[4] = 4711
        return os.stat_result(values)

    monkeypatch.setattr("quietcell.config.secrets.os.fstat", someone_elses)
    with pytest.raises(ConfigError, match=rf"belongs to user 4711; must belong to user {owner} or to root"):
        read_secret(KEY, credential=None, file=secret_file)


@pytest.mark.parametrize("content", [b"", b"\n", b"two\nlines\n", b"nul\0", b"x" * 70_000])
def test_a_file_that_is_not_one_line_is_refused_without_being_shown(
    secret_file: Path, content: bytes
) -> None:
    secret_file.write_bytes(content)
    with pytest.raises(ConfigError, match=r"must hold the secret on one line, and nothing else$"):
        read_secret(KEY, credential=None, file=secret_file)


def test_a_file_that_is_no_text_or_no_plain_file_is_refused(secret_file: Path, tmp_path: Path) -> None:
    secret_file.write_bytes(b"\xff\xfe")
    with pytest.raises(ConfigError, match="is not UTF-8 text"):
        read_secret(KEY, credential=None, file=secret_file)
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe, 0o600)
    for path in (tmp_path, pipe):
        with pytest.raises(ConfigError, match="is not a plain file"):
            read_secret(KEY, credential=None, file=path)


def test_effective_settings_are_plain_complete_and_without_secrets() -> None:
    text = (
        '[site]\nname = "x"\n[store]\nfolder = "state"\n[cells.hall]\ndriver = "loop-lines"\n'
        'settings = { port = "p", password = "periwinkle" }\n'
    )
    config = parse_config(text, "loop.toml", DRIVERS)
    effective = effective_settings(config)
    assert rfc8785.dumps(effective)
    assert "periwinkle" not in json.dumps(effective)
    assert effective["cells"]["hall"]["settings"]["port"] == "p"
    assert effective["cells"]["hall"]["every_s"] == 600.0
    assert effective["criteria"]["loop-water"]["window_s"] == config.criterion_of("hall").window_s
    assert effective["outlets"] == {"files": None, "mqtt": None}


def test_effective_settings_name_a_secret_by_reference_only() -> None:
    text = '[cells.hall]\n[outlets.mqtt]\nhost = "sea"\ntls = {}\npassword = { credential = "mqtt" }\n'
    effective = effective_settings(parse_config(text, "loop.toml", DRIVERS))
    assert effective["outlets"]["mqtt"]["password"] == {"credential": "mqtt", "file": None}
