"""A real broker that asks for certificates and passwords, and the outlet as the configuration sets it up."""

import asyncio
import gc
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
import structlog

from quietcell.config.outlets import MqttSettings
from quietcell.errors import ConfigError
from quietcell.service.outlets import _broker
from tests.support.brokers import DebianBroker
from tests.support.delivery import SITE, Delivery
from tests.support.until import until

pytestmark = pytest.mark.broker


def openssl(folder: Path, *words: str) -> None:
    subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An authority, a broker's and a client's certificate, and another authority nobody knows."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed")
    folder = tmp_path_factory.mktemp("certificates")
    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2")
    for name in ("authority", "stranger"):
        openssl(
            folder,
            "req",
            "-x509",
            *curve,
            "-keyout",
            f"{name}.key",
            "-out",
            f"{name}.pem",
            "-subj",
            f"/CN={name}",
            "-addext",
            "keyUsage=critical,keyCertSign,cRLSign",
        )
    # Newer Pythons hold certificates to RFC 5280: an authority says what it is for, and is named by its key.
    (folder / "address").write_text("subjectAltName=IP:127.0.0.1\nauthorityKeyIdentifier=keyid\n")
    for name in ("broker", "client"):
        openssl(
            folder, "req", *curve, "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}"
        )
        signed = ("-CA", "authority.pem", "-CAkey", "authority.key", "-CAcreateserial", "-extfile", "address")
        openssl(folder, "x509", "-req", "-in", f"{name}.csr", "-out", f"{name}.pem", "-days", "2", *signed)
    for key in folder.glob("*.key"):
        key.chmod(0o600)
    return folder


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as stack:
        yield stack
    gc.collect()  # the library leaves the socket of a failed handshake to the interpreter


async def port_of(stack: ExitStack, folder: Path, settings: str) -> int:
    """Start a broker and return its port."""
    broker = DebianBroker(folder, settings)
    stack.callback(broker.kill)
    await asyncio.to_thread(broker.start)
    return broker.port


async def outcome(folder: Path, port: int, **settings: object) -> str:
    """Deliver one record as configured; returns how it ended, in words."""
    plain = {"host": "127.0.0.1", "port": port, **settings}
    configured = MqttSettings.model_validate(plain, strict=False)
    with structlog.testing.capture_logs() as logs:
        delivery = Delivery(folder, port)
        delivery._broker = _broker(configured, SITE)
        delivery._begin()
        async with delivery:
            await delivery.record()

            def away() -> list[str]:
                return [str(log["text"]) for log in logs if log["event"] == "broker away"]

            await until(lambda: bool(away()) or delivery.outlet.seq == 1)
            return "delivered" if delivery.outlet.seq == 1 else away()[0]


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"ca": "none.pem"}, "outlets.mqtt.tls.ca: {}/none.pem cannot be read: No such file"),
        ({"ca": "client.key"}, "outlets.mqtt.tls.ca: {}/client.key holds no certificate"),
        ({"cert": "none.pem"}, "outlets.mqtt.tls.cert: {}/none.pem cannot be read: No such file"),
        (
            {"cert": "address"},
            "outlets.mqtt.tls.cert: {0}/address and {0}/client.key are no certificate and key",
        ),
        ({"key": "broker.key"}, "outlets.mqtt.tls.key: {0}/broker.key does not belong to the certificate in"),
        ({"key": "locked.key"}, "outlets.mqtt.tls.key: {}/locked.key is locked by a passphrase"),
    ],
)
def test_a_certificate_that_cannot_be_used_is_told_by_key_and_file(
    certificates: Path, changed: dict[str, str], told: str
) -> None:
    locked = certificates / "locked.key"
    openssl(certificates, "ec", "-in", "client.key", "-aes256", "-passout", "pass:mute", "-out", locked.name)
    locked.chmod(0o600)
    names = {"ca": "authority.pem", "cert": "client.pem", "key": "client.key", **changed}
    settings = {"host": "127.0.0.1", "tls": {key: certificates / name for key, name in names.items()}}
    with pytest.raises(ConfigError) as fault:
        _broker(MqttSettings.model_validate(settings, strict=False), SITE)
    assert str(fault.value).startswith(told.format(certificates))


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
async def test_certificates_of_both_sides_are_checked(
    tmp_path: Path, stack: ExitStack, certificates: Path
) -> None:
    files = {name: certificates / f"{name}" for name in ("broker.pem", "broker.key", "authority.pem")}
    port = await port_of(
        stack,
        tmp_path / "broker",
        f"cafile {files['authority.pem']}\ncertfile {files['broker.pem']}\nkeyfile {files['broker.key']}\n"
        "require_certificate true\nuse_identity_as_username true\n",
    )
    ca, own = certificates / "authority.pem", {"cert": certificates / "client.pem"}
    key = {"key": certificates / "client.key"}
    assert await outcome(tmp_path / "both", port, tls={"ca": ca, **own, **key}) == "delivered"
    stranger = await outcome(tmp_path / "ca", port, tls={"ca": certificates / "stranger.pem", **own, **key})
    assert "certificate verify failed" in stranger.lower().replace("_", " ")
    assert await outcome(tmp_path / "none", port, tls={"ca": ca}) != "delivered"
    named = await outcome(tmp_path / "name", port, host="localhost", tls={"ca": ca, **own, **key})
    assert "mismatch" in named.lower()
    assert await outcome(tmp_path / "plain", port) != "delivered"


async def test_a_password_is_checked_and_never_told(tmp_path: Path, stack: ExitStack) -> None:
    program = shutil.which("mosquitto_passwd")
    if program is None:
        pytest.skip("mosquitto_passwd is not installed")
    (tmp_path / "broker").mkdir()
    users = tmp_path / "broker" / "users"
    words = [program, "-b", "-c", str(users), "loop-ph", "shallow-water"]
    await asyncio.to_thread(subprocess.run, words, check=True, capture_output=True)
    port = await port_of(stack, tmp_path / "broker", f"allow_anonymous false\npassword_file {users}\n")
    for secret, ended in (("shallow-water", "delivered"), ("deep-water", "Not authorized")):
        file = tmp_path / secret
        file.write_text(secret)
        file.chmod(0o600)
        told = await outcome(tmp_path / f"to-{secret}", port, username="loop-ph", password={"file": file})
        assert ended in told
        assert secret not in told
