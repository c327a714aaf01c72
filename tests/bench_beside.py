"""A year of minutes brought in beside a running logger: what is lost, and how long others wait to write.

    python -m tests.bench_beside [--days N]

The logger hears a hundred numbered lines a second. Meanwhile a third program asks for the right to write twenty times
a second and gives it back at once: how long it waits is how long anyone would.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from logger.schema import prepare
from tests.aboard.rig import Aboard, Talker, device, lean_logger, source, until

CHANNELS = 8
START = dt.datetime(2025, 1, 1, tzinfo=dt.UTC)
HISTORY = """
[[source]]
name = "history"
kind = "csv"
path = "nowhere/*.csv"
time = { field = "time", zone = "UTC", label = "start", interval_s = 60 }
"""
CHANNEL = """
[[source.channel]]
field = "w{n}"
channel = "load.l{n}.power"
"""


@dataclass
class Outcome:
    """What came of it.

    Attributes
    ----------
    rows, brought : int
        Rows of the file, samples of it in the store.
    said, lost, doubled : int
        Lines that the logger was told meanwhile, those not in the store, those twice in it.
    refused : int
        How often somebody heard that the store is locked.
    waits_s : list of float
        Of the third program.
    seconds : float
        That the import took.
    """

    rows: int
    brought: int
    said: int
    lost: int
    doubled: int
    refused: int
    waits_s: list[float]
    seconds: float


class Third(threading.Thread):
    """Asks again and again to write, writes nothing, and notes how long it waited."""

    def __init__(self, store: Path, stop: threading.Event) -> None:
        super().__init__(name="third")
        self._store, self._stop_now = store, stop
        self.waits_s: list[float] = []
        self.refused = 0

    def run(self) -> None:
        with closing(sqlite3.connect(self._store, timeout=30, isolation_level=None)) as connection:
            while not self._stop_now.wait(0.05):
                began = time.monotonic()
                try:
                    connection.execute("BEGIN IMMEDIATE")
                    connection.execute("ROLLBACK")
                except sqlite3.OperationalError:
                    self.refused += 1
                self.waits_s.append(time.monotonic() - began)


@contextmanager
def asking(store: Path) -> Iterator[Third]:
    stop = threading.Event()
    third = Third(store, stop)
    third.start()
    try:
        yield third
    finally:
        stop.set()
        third.join()


def write(path: Path, rows: int) -> None:
    with path.open("w", encoding="ascii") as file:
        file.write("time," + ",".join(f"w{n}" for n in range(CHANNELS)) + "\n")
        for k in range(rows):
            values = ",".join(str((k * 7 + n * 13) % 1000) for n in range(CHANNELS))
            file.write(f"{(START + dt.timedelta(minutes=k)).isoformat()},{values}\n")


def run(rows: int) -> Outcome:
    """Bring in so many minutes of `CHANNELS` channels beside a logger."""
    with tempfile.TemporaryDirectory() as text, device(Path(text) / "cabin-controller") as made:
        folder = Path(text)
        write(folder / "long.csv", rows)
        channels = "".join(CHANNEL.format(n=n) for n in range(CHANNELS))
        aboard = Aboard(folder, source(made) + HISTORY + channels, flush=0.3)
        prepare(aboard.store)
        talker = Talker(made)
        with talker.talking(), lean_logger(aboard) as process:
            until(lambda: len(aboard.values()) > 10, "the first readings")
            command = [sys.executable, "-m", "dashboard", "import", "long.csv", "--settings", str(aboard.settings)]
            began = time.monotonic()
            with asking(aboard.store) as third:
                done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
            seconds = time.monotonic() - began
            if done.returncode:
                raise SystemExit(done.stderr)
            after = len(talker.said)
            until(lambda: aboard.values()[-1] > after, "readings after the import")
            process.terminate()
            if process.wait(60):
                raise SystemExit(f"the logger ended with {process.returncode}")
        kept = [int(value) for value in aboard.values()]
        ((brought,),) = aboard.ask(
            "SELECT count(*) FROM sample WHERE channel IN (SELECT id FROM channel WHERE name LIKE 'load.%')"
        )
        refused = third.refused + sum("locked" in row or "cannot be written" in row for row in aboard.messages())
        said = range(kept[0], kept[-1] + 1)
        lost, doubled = len(set(said) - set(kept)), len(kept) - len(set(kept))
        return Outcome(rows, brought, len(said), lost, doubled, refused, third.waits_s, seconds)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--days", type=int, default=365)
    found = run(parser.parse_args().days * 1440)
    print(f"{found.rows:,} rows of {CHANNELS} channels in {found.seconds:.0f} s beside a logger")
    print(f"samples brought in      {found.brought:,} of {found.rows * CHANNELS:,}")
    print(f"lines said meanwhile    {found.said:,}; lost {found.lost}, doubled {found.doubled}")
    print(f"heard that it is locked {found.refused}")
    middle, high, most = np.quantile(found.waits_s, [0.5, 0.99, 1.0])
    print(f"a third program waited  {middle:.3f} s, at the 99th percentile {high:.3f} s, at most {most:.3f} s")
    return 1 if found.lost or found.doubled or found.refused or found.brought != found.rows * CHANNELS else 0


if __name__ == "__main__":
    sys.exit(main())
