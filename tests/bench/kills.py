"""Kill a ledger under load at random moments: ``python -m tests.bench.kills [N] [SEED]``."""

import sys
import tempfile
from pathlib import Path

from tests.support.killed import campaign


def main() -> None:
    """Run the campaign and print its figures."""
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    with tempfile.TemporaryDirectory() as folder:
        for key, value in campaign(Path(folder), kills, seed).items():
            print(f"{key:24} {value}")


if __name__ == "__main__":
    main()
