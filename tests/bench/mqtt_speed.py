"""How fast records leave by MQTT: beside a bare client, and from the decisive byte to the acknowledgement.

Run by hand, with mosquitto installed::

    python -m tests.bench.mqtt_speed [drain] [latency] [--ports 1 64] [--seconds 60]

Drain: 10 000 determinations wait; the outlet sends them from its cursor, and a bare client (paho, as many in
flight) sends the same messages to the same broker. Latency: emulated meters on pseudo-terminals write from a
process of their own. Nothing can be decided before a reading begins the next second, so the clock starts at
the receipt of that reading (stamped at the descriptor, whole milliseconds) and stops at the broker's
acknowledgement of the determination's message; verdicts that came by a time mark are left out.
"""

import argparse
import asyncio
import multiprocessing
import os
import random
import tempfile
import time
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from quietcell.collector import spare_what_is_there
from quietcell.config import load_config
from quietcell.core.engine import Engine
from quietcell.core.readings import ReadingBlock
from quietcell.core.records import DeterminationBody
from quietcell.ledger.ledger import Ledger
from quietcell.outlets.mqtt_client import BrokerConnection
from quietcell.outlets.mqtt_library import WINDOW
from quietcell.outlets.mqtt_topics import topics_of
from quietcell.service.clock import SystemClock
from quietcell.service.daemon import Daemon
from quietcell.service.drivers import InstalledDrivers
from quietcell_drivers.pseudo_terminal import PseudoTerminal
from tests.support.consumer import mosquitto
from tests.support.delivery import Delivery
from tests.support.live import CONFIGURATION

RECORDS, ROUNDS = 10_000, 3
BATCH = 500
LINE_S = 0.1
BYTES = 2500
"""Size of a stored determination, about."""


def bare(port: int, messages: list[tuple[str, str]]) -> float:
    """Send messages as a bare client does and return how long it took."""
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.max_inflight_messages_set(WINDOW)
    client.connect("127.0.0.1", port)
    client.loop_start()
    while not client.is_connected():
        time.sleep(0.001)
    began = time.perf_counter()
    infos = [client.publish(topic, payload, qos=1) for topic, payload in messages]
    for info in infos:
        info.wait_for_publish()
    took_s = time.perf_counter() - began
    client.disconnect()
    client.loop_stop()
    return took_s


async def drain(folder: Path, port: int) -> tuple[float, float]:
    """Return how long the outlet and the bare client take for the same messages."""
    delivery = Delivery(folder, port)
    for _ in range(RECORDS // BATCH):
        await delivery.record(BATCH, text="x" * (BYTES - 400))
    stored = [record for seq in range(0, RECORDS, BATCH) for record in await delivery.ledger.after(seq)]
    messages = [(topic, r.text) for r in stored for topic in topics_of("merrow-sound", r.body())]
    bare_s = await asyncio.to_thread(bare, port, messages)
    began = time.perf_counter()
    delivery.start()
    while delivery.outlet.seq < delivery.ledger.seq:  # noqa: ASYNC110 # coarse beside seconds
        await asyncio.sleep(0.005)
    outlet_s = time.perf_counter() - began
    await delivery.stop()
    await delivery.ledger.close()
    delivery.cursors.close()
    return outlet_s, bare_s


def write_meters(terminals: list[PseudoTerminal], seconds: float) -> None:
    """Write lines as steady meters do, each at its own phase."""
    rng = random.Random(1)
    until = time.monotonic() + seconds  # noqa: TID251 # a meter knows no clock of ours
    while time.monotonic() < until:  # noqa: TID251 # same
        for terminal in terminals:
            time.sleep(LINE_S / len(terminals))
            line = f"{25 + rng.gauss(0, 0.02):.2f};{21 + rng.gauss(0, 0.01):.2f}\r\n"
            with suppress(OSError):  # nobody reads yet, or any more
                terminal.write(line.encode())


class Watch:
    """Times what happens inside a daemon of this process."""

    def __init__(self) -> None:
        self.commit_ms: list[float] = []
        self.publish_ms: list[float] = []
        self.byte_to_ack_ms: list[float] = []
        self._decisive_ms: dict[str, int] = {}
        self._patch()

    def _patch(self) -> None:
        commit, take, send = Ledger._commit, Engine.take, BrokerConnection.send

        def timed_commit(ledger: Ledger, *arguments: Any) -> Any:
            began = time.perf_counter()
            stored = commit(ledger, *arguments)
            if stored:
                self.commit_ms.append((time.perf_counter() - began) * 1000)
            return stored

        def timed_take(engine: Engine, item: Any) -> Any:
            bodies = take(engine, item)
            for body in bodies:
                if isinstance(body, DeterminationBody) and isinstance(item, ReadingBlock):
                    self._decisive_ms[body.id] = self.anchors[body.cell]() + int(item.ms[-1])
            return bodies

        async def timed_send(connection: BrokerConnection, topic: str, payload: str, **more: Any) -> Any:
            began = time.perf_counter()
            answer = await send(connection, topic, payload, **more)
            if topic.endswith("/determination"):
                body_id = payload.partition('"id":"')[2].partition('"')[0]

                def done(_: Any) -> None:
                    self.publish_ms.append((time.perf_counter() - began) * 1000)
                    if body_id in self._decisive_ms:
                        now_ms = time.clock_gettime_ns(time.CLOCK_BOOTTIME) / 1e6  # noqa: TID251 # finer than ours
                        self.byte_to_ack_ms.append(now_ms - self._decisive_ms.pop(body_id))

                answer.add_done_callback(done)
            return answer

        self.anchors: dict[str, Any] = {}
        self._originals = (commit, take, send)
        Ledger._commit = timed_commit  # type: ignore[method-assign,assignment] # a bench may look inside
        Engine.take = timed_take  # type: ignore[method-assign,assignment] # same
        BrokerConnection.send = timed_send  # type: ignore[method-assign,assignment] # same

    def restore(self) -> None:
        """Put back what was timed."""
        commit, take, send = self._originals
        Ledger._commit = commit  # type: ignore[method-assign] # as above
        Engine.take = take  # type: ignore[method-assign] # same
        BrokerConnection.send = send  # type: ignore[method-assign] # same


async def latency(folder: Path, broker: int, ports: int, seconds: float) -> Watch:
    """Run a daemon with `ports` meters and return what was timed."""
    head, _, tail = CONFIGURATION.partition("[cells.live-feed-room]")
    cell, _, _ = tail.partition("[outlets.files]")
    cells = []
    terminals = []
    for number in range(ports):
        place = folder / f"{number}"
        place.mkdir()
        terminals.append(PseudoTerminal(place))
        name = f"cell-{number}"
        text = f"[cells.{name}]{cell}".replace("cells.live-feed-room.cal", f"cells.{name}.cal")
        cells.append(text.format(folder=place))
    path = folder / "quietcell.toml"
    outlet = f'[outlets.mqtt]\nhost = "127.0.0.1"\nport = {broker}\n'
    path.write_text(head.format() + "".join(cells) + outlet)
    drivers = InstalledDrivers()
    daemon = Daemon(config=load_config(path, drivers), drivers=drivers, clock=SystemClock())
    watch, stop = Watch(), asyncio.Event()
    meters = multiprocessing.get_context("fork").Process(target=write_meters, args=(terminals, seconds))
    meters.start()
    running = asyncio.create_task(daemon.run(stop, ready=spare_what_is_there))
    for number in range(ports):
        name = f"cell-{number}"
        watch.anchors[name] = lambda name=name: daemon.cells[name]._time.boot_ms(0)
    await asyncio.sleep(seconds)
    stop.set()
    await running
    meters.join()
    watch.restore()
    for terminal in terminals:
        terminal.unplug()
    return watch


def p99(values: list[float]) -> float:
    return float(np.percentile(values, 99)) if values else float("nan")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", nargs="*", default=["drain", "latency"])
    parser.add_argument("--ports", nargs="*", type=int, default=[1, 64])
    parser.add_argument("--seconds", type=float, default=60.0)
    options = parser.parse_args()
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if "drain" in options.what:
        ratios = []
        for _ in range(ROUNDS):
            with tempfile.TemporaryDirectory() as name, mosquitto() as port:
                outlet_s, bare_s = asyncio.run(drain(Path(name), port))
            ratios.append(bare_s / outlet_s)
            print(
                f"drain of {RECORDS}: outlet {outlet_s:.2f} s, bare client {bare_s:.2f} s, {ratios[-1]:.2f}"
            )
        print(f"drain: {np.median(ratios):.2f} of the bare client (median of {ROUNDS}; bar 0.7)")
    for ports in options.ports if "latency" in options.what else []:
        with ExitStack() as stack:
            name = stack.enter_context(tempfile.TemporaryDirectory())
            broker = stack.enter_context(mosquitto())
            watch = asyncio.run(latency(Path(name), broker, ports, options.seconds))
        watch.commit_ms = watch.commit_ms[ports + 1 :]  # those of the start hold many records
        commit, publish, whole = p99(watch.commit_ms), p99(watch.publish_ms), p99(watch.byte_to_ack_ms)
        print(
            f"{ports} ports: byte to acknowledgement p99 {whole:.1f} ms "
            f"(median {np.median(watch.byte_to_ack_ms):.1f}, n = {len(watch.byte_to_ack_ms)}); "
            f"commit p99 {commit:.1f} ms (median {np.median(watch.commit_ms):.1f}), "
            f"publish p99 {publish:.1f} ms, two commits + one publish {2 * commit + publish:.1f} ms"
        )


if __name__ == "__main__":
    main()
