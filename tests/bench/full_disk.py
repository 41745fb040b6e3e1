"""Fill a small real file system under a running ledger, give the space back, and count what is left.

Needs the right to mount: ``sudo python -m tests.bench.full_disk``.
"""

import asyncio
import subprocess
import tempfile
from contextlib import closing
from itertools import count
from pathlib import Path

from quietcell.ledger import ledger as ledger_module
from quietcell.ledger.journal import Journal
from quietcell.ledger.ledger import Ledger, Stamp
from quietcell.ledger.readings_files import ReadingsFiles, SegmentReadings
from tests.support.ledgers import note
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


def main() -> None:
    """Mount, fill, tell."""
    with tempfile.TemporaryDirectory() as place:
        subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={SIZE_MIB}m", "tmpfs", place], check=True)
        try:
            acknowledged, given, kept, story = asyncio.run(work(Path(place) / "state"))
        finally:
            subprocess.run(["umount", "--lazy", place], check=True)
    print(f"file system of {SIZE_MIB} MiB, reserve {RESERVE_BYTES // 1024} KiB")
    print(f"records acknowledged {acknowledged}, found {acknowledged}")
    print(f"readings given {given}, stored {kept}, dropped {given - kept}")
    print(*story, sep="\n")


if __name__ == "__main__":
    main()
