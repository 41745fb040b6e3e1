"""Real brokers as child processes: one from a wheel, and Debian's as the reference; both may be killed."""

import getpass
import shutil
import socket
import subprocess
import time
from abc import ABC, abstractmethod
from pathlib import Path
from typing import Self

import iotcore
import pytest

from tests.support.ports import free_port

START_S = 20.0
"""A generous time-out for what normally takes a tenth of a second."""


class RealBroker(ABC):
    """A broker on a free port of the loopback; the same port after a kill.

    Parameters
    ----------
    folder : Path
        For its files.
    settings : str
        Further lines for its configuration.
    """

    def __init__(self, folder: Path, settings: str = "") -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._settings = settings
        self.port = free_port()

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    @abstractmethod
    def start(self) -> None:
        """Start it and wait until it listens."""

    @abstractmethod
    def kill(self) -> None:
        """End it as SIGKILL does, and reap it; nothing if it does not run."""


class WheelBroker(RealBroker):
    """iotcore; by default it would listen everywhere, and its MQTT 5 listener needs a file."""

    _broker: iotcore.Broker | None = None

    def start(self) -> None:
        path = self._folder / f"iotcore-{self.port}.toml"
        path.write_text(
            f"""
            id = 0
            [router]
            id = 0
            max_connections = 100
            max_outgoing_packet_count = 200
            max_segment_size = 1048576
            max_segment_count = 10
            [v5.1]
            name = "loopback"
            listen = "127.0.0.1:{self.port}"
            next_connection_delay_ms = 1
            [v5.1.connections]
            connection_timeout_ms = 60000
            max_payload_size = 262144
            max_inflight_count = 100
            dynamic_filters = true
            {self._settings}
            """
        )
        self._broker = iotcore.Broker(config_path=str(path))
        self._broker.start(START_S)

    def kill(self) -> None:
        if self._broker is not None:
            if self._broker._process is not None:  # nothing public kills it
                self._broker._process.kill()
            self._broker.stop()
            self._broker = None


class DebianBroker(RealBroker):
    """mosquitto; the test is skipped where it is not installed."""

    _process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        program = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")
        if program is None:
            pytest.skip("mosquitto is not installed")
        path = self._folder / f"mosquitto-{self.port}.conf"
        path.write_text(
            f"user {getpass.getuser()}\n"  # as root it would else become a user who can't read the folder
            # By default it drops what a subscriber is 1000 messages behind with; without any bound (0)
            # version 2.0.11 ends the connection of a client whose message it refuses.
            "max_queued_messages 100000\n"
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\n{self._settings}\n"
        )
        self._process = subprocess.Popen(
            [program, "-c", str(path)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        deadline = time.monotonic() + START_S  # noqa: TID251 # waits for a real process
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
            except OSError:
                assert self._process.poll() is None, f"mosquitto refused {path.read_text()}"
                assert time.monotonic() < deadline, "mosquitto did not start"  # noqa: TID251 # same
                time.sleep(0.01)
            else:
                return

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None
