"""``python -m quietcell.panel``: started by the daemon, which writes one line of settings to its input.

The input stays open for as long as the daemon lives; when it closes, the page ends. One line of its output
says on which port it listens, or why it cannot.
"""

import json
import os
import signal
import socket
import sys
import threading
from pathlib import Path

import uvicorn

from quietcell.errors import spoken
from quietcell.panel.access import Access
from quietcell.panel.app import panel_app
from quietcell.panel.protocol import ImpatientProtocol
from quietcell.panel.source import Source

MOST_CONNECTIONS = 400
"""Event streams and everything else together; more are answered 503."""


def _end_with_parent() -> None:
    while os.read(sys.stdin.fileno(), 4096):
        pass
    os.kill(os.getpid(), signal.SIGTERM)


def _listening(host: str, port: int) -> list[socket.socket]:
    """Return a socket for each address of a host, all on one port."""
    sockets: list[socket.socket] = []
    for family, *_, address in dict.fromkeys(socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)):
        sockets.append(socket.create_server((str(address[0]), port), family=family))
        port = sockets[0].getsockname()[1]
    return sockets


def main() -> None:
    """Serve until told to stop or the daemon is gone."""
    settings = json.loads(sys.stdin.buffer.readline())
    try:
        sockets = _listening(settings["host"], settings["port"])
    except OSError as error:
        print(json.dumps({"error": spoken(error).partition(" (while ")[0]}), flush=True)  # noqa: T201 # the daemon reads it
        sys.exit(1)
    print(json.dumps({"port": sockets[0].getsockname()[1]}), flush=True)  # noqa: T201 # same
    threading.Thread(target=_end_with_parent, daemon=True).start()
    access = Access(token=settings["token"], names=tuple(settings["names"]), host=settings["host"])
    config = uvicorn.Config(
        panel_app(Source(Path(settings["folder"])), access),
        log_level="error",  # of every request that is none there would be a line, from whoever sends them
        access_log=False,
        server_header=False,
        proxy_headers=False,
        limit_concurrency=MOST_CONNECTIONS,
        timeout_keep_alive=10,
        timeout_graceful_shutdown=1,
        h11_max_incomplete_event_size=16 * 1024,
        http=ImpatientProtocol,
        ws="none",
    )
    uvicorn.Server(config).run(sockets=sockets)


if __name__ == "__main__":
    main()
