"""The local page's process: started when configured, started anew when it dies, ended with the daemon."""

import asyncio
import json
import sys
from contextlib import suppress
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Self

import structlog

from quietcell.config import Config, read_secret
from quietcell.outlets.follower import Backoff


class Page:
    """Keeps the page's process running.

    Parameters
    ----------
    config : Config
        Its ``[panel]``, if any.
    folder : Path
        Of the ledger.

    Raises
    ------
    ConfigError
        If the token cannot be had.
    """

    def __init__(self, config: Config, folder: Path) -> None:
        self._folder = folder
        self._line = self.prepared(config)
        self._task: asyncio.Task[None] | None = None
        self.pid: int | None = None
        """Of the process while it runs."""
        self._fault = ""
        """Why it could not be served when it was last tried."""
        self._log = structlog.get_logger().bind(page=True)

    def prepared(self, config: Config) -> bytes:
        """Return what the process is told, nothing where no page is wanted.

        Raises
        ------
        ConfigError
            If the token cannot be had.
        """
        panel = config.panel
        if panel is None:
            return b""
        token = None
        if panel.token is not None:
            reference = panel.token
            token = read_secret("panel.token", credential=reference.credential, file=reference.file)
        settings = {
            "folder": str(self._folder.absolute()),
            "host": panel.host,
            "port": panel.port,
            "names": [name.lower() for name in panel.names],
            "token": None if token is None else token.get_secret_value(),
        }
        # By its input, not its arguments: those can be seen by others on the machine.
        return json.dumps(settings).encode() + b"\n"

    async def adopt(self, config: Config) -> None:
        """Start the process anew, end it or begin one, where the configuration says other than before.

        Raises
        ------
        ConfigError
            If the token cannot be had; the page then stays as it was.
        """
        line = self.prepared(config)
        if line != self._line:
            await self._end()
            self._line = line
            self._start()

    async def __aenter__(self) -> Self:
        """Start the page, if it is wanted and installed."""
        self._start()
        return self

    async def __aexit__(self, *_: object) -> None:
        """End it."""
        await self._end()

    def _start(self) -> None:
        if not self._line:
            return
        if find_spec("starlette") is None or find_spec("uvicorn") is None:
            self._log.warning("no page: install it with pip install 'quietcell[panel]'")
            return
        self._task = asyncio.create_task(self._keep(), name="page")

    async def _end(self) -> None:
        if self._task is not None:
            self._task.cancel()
            with suppress(asyncio.CancelledError):
                await self._task
            self._task = None

    async def _keep(self) -> None:
        backoff = Backoff()
        while True:
            try:
                await self._run()
            except (OSError, ValueError) as error:  # such as where there is no memory for it
                self._log.warning("page cannot be started", text=str(error))
            await backoff.pause()

    def _tell(self, said: dict[str, Any]) -> None:
        """Tell where the page is, or once why it is not."""
        host, port = (json.loads(self._line)[key] for key in ("host", "port"))
        address = f"[{host}]" if ":" in host else host
        fault, self._fault = self._fault, said.get("error", "")
        if "port" in said:
            self._log.info("page", address=f"http://{address}:{said['port']}/")
        elif self._fault != fault:
            text = f"http://{address}:{port}/: {self._fault}. Look at panel.host and panel.port; trying again"
            self._log.warning("page cannot be served", text=text)

    async def _run(self) -> None:
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-P",  # else modules in the folder it is started in would count before its own
            "-m",
            "quietcell.panel",
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
        )
        self.pid = process.pid
        try:
            if process.stdin is not None:
                process.stdin.write(self._line)
            said = b"" if process.stdout is None else await process.stdout.readline()
            self._tell(json.loads(said) if said else {})
            status = await process.wait()
            if not self._fault:
                self._log.warning("page ended, starting it anew", status=status)
        finally:
            if process.returncode is None:
                process.kill()  # it holds nothing, and open streams must not hold up the stop
                await process.wait()
