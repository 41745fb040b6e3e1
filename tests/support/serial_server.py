"""ser2net as a child process: a real serial device server that may be killed."""

import shutil
import signal
import subprocess
from pathlib import Path
from typing import Self

import pytest

from tests.support.live import wait_until
from tests.support.ports import free_port

PROGRAM = shutil.which("ser2net") or shutil.which("ser2net", path="/usr/sbin:/usr/local/sbin")
needs_serial_server = pytest.mark.skipif(PROGRAM is None, reason="needs ser2net on this machine")


class SerialServer:
    """Passes the bytes of a serial device through a free TCP port of the loopback; the same after a kill."""

    def __init__(self, folder: Path, device: str) -> None:
        self.tcp_port = free_port()
        self._folder = folder
        self._configuration = folder / "ser2net.yaml"
        self._configuration.write_text(
            f"connection: &meter\n  accepter: tcp,127.0.0.1,{self.tcp_port}\n"
            f"  connector: serialdev,{device},9600n81,local\n  options:\n    kickolduser: true\n"
        )

    @property
    def address(self) -> str:
        return f"socket://127.0.0.1:{self.tcp_port}"

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    def start(self) -> None:
        assert PROGRAM is not None
        command = [PROGRAM, "-n", "-u", "-c", str(self._configuration)]
        with (self._folder / "ser2net.log").open("ab") as log:
            self._process = subprocess.Popen(command, stdout=log, stderr=log, stdin=subprocess.DEVNULL)
        wait_until(self._listens, "ser2net")

    def _listens(self) -> bool:
        """Whether the port is open, by the system's table: connecting would be a user of the meter."""
        wanted = f"0100007F:{self.tcp_port:04X} 00000000:0000 0A"
        return wanted in Path("/proc/net/tcp").read_text()

    def kill(self) -> None:
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGKILL)
        self._process.wait()
