"""Upgrades and backups killed at random moments: what they leave, in the long form of the tests.

    python -m tests.bench_kills [--kills N]

Not a speed but a count: how many were cut off in the middle, every one of them checked as the tests do.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.logger.test_backup import kills_during_backups
from tests.logger.test_upgrade import kills_during_upgrades


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--kills", type=int, default=20)
    kills = parser.parse_args().kills
    for what, run in (("upgrades", kills_during_upgrades), ("backups", kills_during_backups)):
        with tempfile.TemporaryDirectory() as folder:
            cut = run(Path(folder), kills)
        print(
            f"{what:9} {kills} killed, {cut} before their end: nothing lost, nothing doubled, no half taken for whole"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
