"""Fill a small real file system under a ledger, then under the program; make room, see what is left.

Needs the right to mount: ``sudo python -m tests.bench.full_disk``.
"""

import asyncio
import signal
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from itertools import count
from pathlib import Path

from quietcell.ledger import ledger as ledger_module
from quietcell.ledger.journal import Journal
from quietcell.ledger.ledger import Ledger, Stamp
from quietcell.ledger.readings_files import ReadingsFiles, SegmentReadings
from tests.support.ledgers import note
from tests.support.live import Program, StreamingMeter
from tests.support.streams import ANCHOR_UTC_MS, readings

SIZE_MIB = 8
RESERVE_BYTES = 1024 * 1024
ledger_module.RETRY_S = 0.05


async def work(folder: Path) -> tuple[int, int, int, list[str]]:
    """Record notes and readings while the disk fills up, then make room; returns what was told."""
    ordinals, ballast = count(1), folder.parent / "ballast"
    ledger = Ledger(
        folder,
        stamp=lambda: Stamp(ANCHOR_UTC_MS, "synchronised"),
        readings_commit_s=0.02,
        reserve_bytes=RESERVE_BYTES,
    )
    ledger.give_ids(lambda: f"daemon.1.{next(ordinals)}")
    block = readings(200_000)
    acknowledged, given = 0, 0
    ballast.write_bytes(bytes(2 * 1024 * 1024))
    for step in range(200):
        part = block[step * 1000 : step * 1000 + 1000]
        ledger.keep(
            SegmentReadings(cell="live-feed-room", segment=1, anchor_utc_ms=ANCHOR_UTC_MS, block=part)
        )
        given += len(part)
        async with asyncio.timeout(30):
            await ledger.record([note(step + 1)])
        acknowledged += 1
        if step == 150:
            ballast.unlink()
    await ledger.close()
    with Journal(folder) as journal, closing(ReadingsFiles(folder, read_only=True)) as files:
        bodies = [record.body() for record in journal.all()]
        kept = sum(len(each) for each in files.of_segment("live-feed-room", 1))
    notes = sum(body["record"] == "note" for body in bodies)
    story = [
        f"{body['record']} {body.get('state', '')} {body.get('readings', '')}".strip()
        for body in bodies
        if body["record"] in {"storage", "readings-dropped"}
    ]
    assert notes == acknowledged, "an acknowledged record is lost"
    return acknowledged, given, kept, story


def fill(path: Path) -> None:
    """Write until nothing fits any more."""
    with suppress(OSError), path.open("wb", buffering=0) as ballast:
        while True:
            ballast.write(bytes(4096))


def watch(folder: Path) -> None:
    """Run the program, fill, free, stop, check."""
    with StreamingMeter(folder), Program(folder) as program:
        program.start()
        program.wait_for("determination", verdict="accepted")
        fill(folder / "ballast")
        program.wait_for("storage", state="full")
        before = len(program.bodies("determination"))
        program.wait_for("determination", count=before + 2)
        print("full: determinations go on; alarms", [each["alarm"] for each in program.bodies("alarm")])
        (folder / "ballast").unlink()
        program.wait_for("storage", state="recovered")
        dropped = program.bodies("readings-dropped")[-1]
        print(f"recovered by itself; {dropped['readings']} readings dropped")
        before = len(program.bodies("determination"))
        program.wait_for("determination", count=before + 2)
        print("stopped with status", program.end(signal.SIGTERM))
        print("files equal the journal:", program.file_lines() == program.records())
        print(program.command("verify", "--config", str(program.config), "--recompute"))


@contextmanager
def mounted(size_mib: int) -> Iterator[Path]:
    """Mount a file system of this size."""
    with tempfile.TemporaryDirectory() as place:
        subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size_mib}m", "tmpfs", place], check=True)
        try:
            yield Path(place)
        finally:
            subprocess.run(["umount", "--lazy", place], check=True)


def main() -> None:
    """Fill and tell, the ledger alone first."""
    with mounted(SIZE_MIB) as place:
        acknowledged, given, kept, story = asyncio.run(work(place / "state"))
    print(f"file system of {SIZE_MIB} MiB, reserve {RESERVE_BYTES // 1024} KiB")
    print(f"records acknowledged {acknowledged}, found {acknowledged}")
    print(f"readings given {given}, stored {kept}, dropped {given - kept}")
    print(*story, sep="\n")
    with mounted(2 * SIZE_MIB) as place:
        watch(place)


if __name__ == "__main__":
    main()
