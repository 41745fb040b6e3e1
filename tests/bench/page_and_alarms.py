"""How fast an alarm reaches people, and what many open pages cost: `python -m tests.bench.page_and_alarms`.

A real daemon with a page, a real broker and an independent client. A meter is pulled; the times from then,
less the alarm's own delay, are those to the client's message and to an event stream. Then 200 streams are
opened, and stopping is timed; so are the daemon's CPU seconds with and without the streams.
"""

import json
import signal
import socket
import statistics
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path

import httpx

from tests.bench.bytes_to_rows import cpu_s
from tests.support.consumer import Consumer, mosquitto
from tests.support.live import Program, StreamingMeter, wait_until
from tests.support.ports import free_port

DELAY_S = 1.0
ROUNDS = 12
STREAMS = 200


def stream(port: int, states: list[tuple[float, str]], stop: threading.Event) -> None:
    """Note when the alarm's state on an event stream changes; connect anew until there is one."""
    while not stop.wait(0.2):
        with suppress(httpx.HTTPError):
            listen(port, states, stop)


def listen(port: int, states: list[tuple[float, str]], stop: threading.Event) -> None:
    """Follow one event stream to its end."""
    with httpx.stream("GET", f"http://127.0.0.1:{port}/api/events", timeout=30) as events:
        for line in events.iter_lines():
            if stop.is_set():
                return
            if line.startswith("data: "):
                alarms = json.loads(line[6:]).get("alarms", [])
                seen = next((a["state"] for a in alarms if a["alarm"] == "meter-silent"), "normal")
                if not states or states[-1][1] != seen:
                    states.append((time.perf_counter(), seen))


def told(client: Consumer) -> bool:
    """Tell whether the client has the alarm."""
    messages = [p for topic, p, _ in list(client.messages) if topic.endswith("alarm/meter-silent")]
    return any(p.get("body", {}).get("state") == "unacknowledged" for p in messages)


def delays(folder: Path) -> tuple[list[float], list[float], float, float, float]:
    """Return times to the client and to the page, CPU shares without and with streams, and to the end, s."""
    port = free_port()
    with mosquitto() as broker, Consumer(broker) as client, StreamingMeter(folder) as meter:
        more = (
            f"[panel]\nport = {port}\n[alarms.meter-silent]\non_delay_s = {DELAY_S}\noff_delay_s = 0.0\n"
            f'[outlets.mqtt]\nhost = "127.0.0.1"\nport = {broker}\n'
        )
        with Program(folder, more) as program:
            program.start()
            program.wait_for("determination")
            stop, states = threading.Event(), list[tuple[float, str]]()
            threading.Thread(target=stream, args=(port, states, stop), daemon=True).start()
            wait_until(lambda: bool(states), "the stream")
            to_client, to_page = [], []
            for _ in range(ROUNDS):
                client.messages.clear()
                pulled = time.perf_counter()
                meter.pull()
                wait_until(lambda: told(client), "the message")
                to_client.append(time.perf_counter() - pulled - DELAY_S)
                wait_until(lambda: states[-1][1] == "unacknowledged", "the page")
                to_page.append(states[-1][0] - pulled - DELAY_S)
                meter.plug()
                wait_until(lambda: states[-1][1] != "unacknowledged", "the meter's return")
            pid = program.pid
            before = cpu_s(pid)
            time.sleep(10)
            alone = (cpu_s(pid) - before) / 10
            sockets = []
            for _ in range(STREAMS - 1):
                one = socket.create_connection(("127.0.0.1", port))
                one.sendall(b"GET /api/events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
                sockets.append(one)
            time.sleep(2)
            before = cpu_s(pid)
            time.sleep(10)
            streamed = (cpu_s(pid) - before) / 10
            began = time.perf_counter()
            program.end(signal.SIGTERM)
            ended = time.perf_counter() - began
            stop.set()
    return to_client, to_page, alone, streamed, ended


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        to_client, to_page, alone, streamed, ended = delays(Path(folder))
    for name, times in (("to an MQTT client", to_client), ("to an open page", to_page)):
        median, longest = statistics.median(times), max(times)
        print(f"alarm {name}: median {median:.2f} s, longest {longest:.2f} s (n = {len(times)})")
    print(f"CPU of the daemon: {100 * alone:.1f} % with 1 stream, {100 * streamed:.1f} % with {STREAMS}")
    print(f"SIGTERM with {STREAMS} open streams: ended after {ended:.2f} s")


if __name__ == "__main__":
    main()
