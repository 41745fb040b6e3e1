r"""A meter that is not there: the simulation speaks through a pseudo-terminal as a real one would.

Run ``python -m quietcell_drivers.emulator --link PATH --form semicolons --scenario quiet``; the
device appears under PATH. Some forms send by themselves, one is asked.
"""

import argparse
import contextlib
import os
import select
import sys
import time
import tty
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from quietcell_drivers.simulation import SCENARIOS, Sample, Simulation


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """How a meter puts a sample into bytes."""

    line: Callable[[Sample], str]
    interval_s: float = 1.0
    question: bytes = b""
    """What it must be asked; empty for one that sends by itself."""
    encoding: str = "latin-1"


def _comma(text: str) -> str:
    return text.replace(".", ",")


FORMS = {
    "semicolons": Form(
        line=lambda s: f"{s.mv:.2f};{s.temperature_c:.2f};{s.conductivity_us_cm:.4f};{s.flow_ml_min:.1f}\r\n"
    ),
    "asked-with-comma": Form(
        question=b"VALUES\r",
        line=lambda s: _comma(
            f"E {s.mv:+.2f} mV  T {s.temperature_c:.2f} °C  K {s.conductivity_us_cm:.4f} µS/cm  "
            f"Q {s.flow_ml_min * 0.06:.3f} L/h  OK\r"
        ),
    ),
    "volts-and-kelvin": Form(
        line=lambda s: (
            f"{s.mv / 1000:.5f},{s.temperature_c + 273.15:.2f},{1 / s.conductivity_us_cm:.3f},RUN\n"
        )
    ),
}
"""Forms by name, invented here."""


@contextlib.contextmanager
def _terminal(link: Path) -> Iterator[int]:
    """Open a pseudo-terminal under a name; yields the meter's end."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    link.unlink(missing_ok=True)
    link.symlink_to(os.ttyname(slave))
    try:
        yield master
    finally:
        link.unlink(missing_ok=True)
        os.close(master)
        os.close(slave)


def run(link: Path, form: Form, simulation: Simulation, *, scale: float = 1.0) -> None:
    """Be the meter until the process ends; `scale` simulated seconds pass in each real one."""
    samples = simulation.samples(form.interval_s)
    pause_s = form.interval_s / scale
    began = time.monotonic()  # noqa: TID251 # a meter has a clock of its own
    sample, number, heard = next(samples), 0, b""
    with _terminal(link) as master:
        while True:
            left_s = began + (number + 1) * pause_s - time.monotonic()  # noqa: TID251 # same
            ready = select.select([master], [], [], max(0.0, left_s))[0]
            if ready:
                with contextlib.suppress(BlockingIOError):
                    heard += os.read(master, 256)
                if form.question and form.question in heard:
                    heard = b""
                    _say(master, form, sample)
                heard = heard[-256:]
                continue
            sample, number = next(samples), number + 1
            if not form.question:
                _say(master, form, sample)


def _say(master: int, form: Form, sample: Sample) -> None:
    # A full line buffer means nobody listens: a real meter would talk into the void as well.
    with contextlib.suppress(BlockingIOError):
        os.write(master, form.line(sample).encode(form.encoding))


def main() -> None:
    """Read the command line and be a meter."""
    parser = argparse.ArgumentParser(
        prog="quietcell_drivers.emulator", description="A meter that is not there."
    )
    parser.add_argument("--link", type=Path, required=True, help="name under which the device appears")
    parser.add_argument("--form", choices=FORMS, default="semicolons", help="how it puts numbers into bytes")
    parser.add_argument("--scenario", choices=SCENARIOS, default="quiet", help="what the water does")
    parser.add_argument("--seed", type=int, default=1, help="of the noise")
    parser.add_argument("--scale", type=float, default=1.0, help="simulated seconds in a real one")
    given = parser.parse_args()
    try:
        run(
            given.link,
            FORMS[given.form],
            Simulation(SCENARIOS[given.scenario], given.seed),
            scale=given.scale,
        )
    except KeyboardInterrupt:
        sys.exit(0)


if __name__ == "__main__":
    main()
