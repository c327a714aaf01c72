"""How long a session's readings take to come to their true time, and how long the store is locked for it at most.

``python -m tests.bench_redating [HOURS]``: 50 channels, one reading a second each.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

from logger import redating
from logger.rollup import refresh
from logger.schema import prepare
from logger.settling import Mover
from logger.store import Channels, open_writer, transaction

CHANNELS = 50
START_MS = 1_717_228_800_000
SHIFT_MS = 177_900_000


def kept(path: Path, seconds: int) -> None:
    """A session of so many seconds, rolled up, that nobody vouched for."""
    prepare(path)
    names = [f"array.a{n}.voltage" for n in range(CHANNELS)]
    with closing(open_writer(path)) as connection, transaction(connection):
        connection.executemany("INSERT INTO channel (name, unit) VALUES (?, 'V')", [(name,) for name in names])
        connection.executemany(
            "INSERT INTO sample (t, channel, value) VALUES (?, ?, ?)",
            ((START_MS + 1000 * t, n, 24 + (t + n) % 17 / 10) for t in range(seconds) for n in range(1, CHANNELS + 1)),
        )
        connection.execute(
            "INSERT INTO session (boot_id, started, stopped, monotonic_ns, clock, live) VALUES ('b', ?, ?, 0, ?, ?)",
            (START_MS, START_MS + 1000 * seconds, "unknown", json.dumps({"bench": names})),
        )
        refresh(connection, START_MS, START_MS + 1000 * seconds, START_MS + 1000 * seconds)


def moved(path: Path, now: int) -> list[float]:
    """Move it all; how long each piece held the lock [s]."""
    held = []
    mover = Mover()
    with closing(open_writer(path)) as connection:
        with transaction(connection):
            redating.begin(connection, 1, SHIFT_MS, "kernel")
        channels = Channels(connection)
        while waiting := redating.jobs(connection):
            began = time.perf_counter()
            mover.piece(connection, channels, waiting[0], now)
            held.append(time.perf_counter() - began)
    return held


def run(seconds: int) -> dict[str, float]:
    """Figures of one move, beside a bare insertion of as many rows."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "lapwing.db"
        began = time.perf_counter()
        kept(path, seconds)
        bare = time.perf_counter() - began
        held = moved(path, START_MS + SHIFT_MS + 1000 * seconds)
    return {
        "samples": seconds * CHANNELS,
        "seconds": sum(held),
        "ratio to inserting and rolling up": sum(held) / bare,
        "median lock": statistics.median(held),
        "longest lock": max(held),
    }


def main() -> None:
    """Print the figures."""
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 6.0
    for name, figure in run(round(hours * 3600)).items():
        sys.stdout.write(f"{name:36} {figure:,.3f}\n")


if __name__ == "__main__":
    main()
