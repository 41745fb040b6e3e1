"""Fill the disk under the running program, give the space back, and see what it tells.

Needs the right to mount: ``sudo python -m tests.bench.full_disk_live``.
"""

import signal
import subprocess
import tempfile
from contextlib import suppress
from pathlib import Path

from tests.support.live import Program, StreamingMeter

SIZE_MIB = 16


def fill(path: Path) -> None:
    """Write until nothing fits any more."""
    with suppress(OSError), path.open("wb", buffering=0) as ballast:
        while True:
            ballast.write(bytes(4096))


def watch(folder: Path) -> None:
    """Run, fill, free, stop, check."""
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


def main() -> None:
    """Mount a small file system and watch."""
    with tempfile.TemporaryDirectory() as place:
        subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={SIZE_MIB}m", "tmpfs", place], check=True)
        try:
            watch(Path(place))
        finally:
            subprocess.run(["umount", "--lazy", place], check=True)


if __name__ == "__main__":
    main()
