"""Whether open pages are felt by the engine: `python -m tests.bench.page_ticks`.

A daemon measures in this process, its page runs beside it as ever. Each call of the engine is timed, and how
late the event loop wakes; by turns with no event stream and with 200 that a further process reads.
"""

import asyncio
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

import numpy as np

from quietcell.config import load_config
from quietcell.core.engine import Engine
from quietcell.service.clock import SystemClock
from quietcell.service.daemon import Daemon
from quietcell.service.drivers import InstalledDrivers
from tests.bench.page_and_alarms import STREAMS
from tests.support.live import Program, StreamingMeter
from tests.support.ports import free_port

TURNS = 4
TURN_S = 25.0
WAKE_S = 0.05
READER = f"""
import asyncio, sys
async def one():
    reader, writer = await asyncio.open_connection("127.0.0.1", int(sys.argv[1]))
    writer.write(b"GET /api/events HTTP/1.1\\r\\nHost: 127.0.0.1\\r\\n\\r\\n")
    while await reader.read(65536):
        pass
async def main():
    print("open", flush=True)
    await asyncio.gather(*(one() for _ in range({STREAMS})))
asyncio.run(main())
"""


def timed_engine(cpu_ms: list[float]) -> None:
    """Let every call of the engine note its CPU time."""
    take = Engine.take

    def timed(self: Engine, item: object) -> object:
        began = time.thread_time()
        try:
            return take(self, item)  # type: ignore[arg-type] # whatever came
        finally:
            cpu_ms.append(1000 * (time.thread_time() - began))

    Engine.take = timed  # type: ignore[method-assign, assignment] # measured from outside


async def turn(late_ms: list[float]) -> None:
    """Let the daemon work for a while and note how late the loop wakes."""
    loop = asyncio.get_running_loop()
    end = loop.time() + TURN_S
    while (due := loop.time() + WAKE_S) < end:
        await asyncio.sleep(WAKE_S)
        late_ms.append(1000 * (loop.time() - due))


async def measure(config: Path, port: int) -> dict[int, tuple[list[float], list[float]]]:
    """Return CPU times of the engine's calls and lateness of the loop, ms, by number of streams."""
    cpu_ms: list[float] = []
    timed_engine(cpu_ms)
    drivers = InstalledDrivers()
    daemon = Daemon(config=load_config(config, drivers), drivers=drivers, clock=SystemClock())
    stop = asyncio.Event()
    running = asyncio.create_task(daemon.run(stop))
    await asyncio.sleep(8)
    found: dict[int, tuple[list[float], list[float]]] = {0: ([], []), STREAMS: ([], [])}
    for number in range(2 * TURNS):
        streams = STREAMS if number % 2 else 0
        reader = None
        if streams:
            command = [sys.executable, "-c", READER, str(port)]
            reader = await asyncio.create_subprocess_exec(*command, stdout=subprocess.DEVNULL)
            await asyncio.sleep(3)
        cpu_ms.clear()
        late: list[float] = []
        await turn(late)
        found[streams][0].extend(cpu_ms)
        found[streams][1].extend(late)
        print(f"  {streams:3} streams: {len(cpu_ms)} calls, median {median(cpu_ms):.3f} ms CPU", flush=True)
        if reader is not None:
            assert reader.returncode is None, "the streams were refused"
            reader.terminate()
            await reader.wait()
            await asyncio.sleep(2)
    stop.set()
    await running
    return found


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as name:
        folder, port = Path(name), free_port()
        with StreamingMeter(folder):
            program = Program(folder, f"[panel]\nport = {port}\n")
            found = asyncio.run(measure(program.config, port))
    for streams, (cpu_ms, late_ms) in found.items():
        p99, late = np.quantile(cpu_ms, 0.99), np.quantile(late_ms, [0.5, 0.99])
        print(
            f"{streams:3} streams: engine call {median(cpu_ms):.3f} ms median, {p99:.3f} ms at 99 % CPU "
            f"(n = {len(cpu_ms)}); loop late {late[0]:.2f} ms median, {late[1]:.2f} ms at 99 %"
        )


if __name__ == "__main__":
    main()
