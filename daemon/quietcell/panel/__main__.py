"""``python -m quietcell.panel``: started by the daemon, which writes one line of settings to its input.

The input stays open for as long as the daemon lives; when it closes, the page ends.
"""

import json
import os
import signal
import sys
import threading
from pathlib import Path

import uvicorn

from quietcell.panel.access import Access
from quietcell.panel.app import panel_app
from quietcell.panel.protocol import ImpatientProtocol
from quietcell.panel.source import Source

MOST_CONNECTIONS = 400
"""Event streams and everything else together; more are answered 503."""


def _end_with_parent() -> None:
    sys.stdin.buffer.read()
    os.kill(os.getpid(), signal.SIGTERM)


def main() -> None:
    """Serve until told to stop or the daemon is gone."""
    settings = json.loads(sys.stdin.buffer.readline())
    threading.Thread(target=_end_with_parent, daemon=True).start()
    access = Access(token=settings["token"], names=tuple(settings["names"]), host=settings["host"])
    config = uvicorn.Config(
        panel_app(Source(Path(settings["folder"])), access),
        host=settings["host"],
        port=settings["port"],
        log_level="warning",
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
    sys.stdout.write("listening\n")
    sys.stdout.flush()
    uvicorn.Server(config).run()


if __name__ == "__main__":
    main()
