"""What readers do to the writer: fifty commits a second beside eight readers who ask for seven days again and again.

    python -m tests.bench_readers [--seconds N] [--readers N]

First the same writer alone, for the bare reference; then beside the readers, each a process of its own, half of them
with one connection for all they ask, half with a new one each time. Then an hour of the logger's flushes, as fast
as they go, with a page left open that asks again all the time.
"""

from __future__ import annotations

import argparse
import json
import random
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

from logger.rollup import DAY_MS, MINUTE_MS
from logger.schema import prepare
from logger.store import open_reader, open_writer, transaction

START = 1_781_000_000_000 // DAY_MS * DAY_MS
DAYS = 7
CHANNELS = 50
RATE = 50
MOST_DELAY_S, MOST_LOG = 1.0, 16 << 20
HOUR_FLUSHES, FLUSH_SAMPLES = 120, 30 * CHANNELS


@dataclass(frozen=True)
class Seen:
    """What came of one run.

    Attributes
    ----------
    sent, kept : int
        Rows.
    p99_s, longest_s : float
        Delay from when a row was due to its commit.
    log_bytes : int
        Largest write-ahead log.
    looks : int
        Times that a reader had its seven days.
    faults : list of str
        What readers were told instead.
    """

    sent: int
    kept: int
    p99_s: float
    longest_s: float
    log_bytes: int
    looks: int
    faults: list[str]


def filled(path: Path, channels: int = CHANNELS) -> None:
    """A store with seven days of minutes."""
    prepare(path)
    rng = random.Random(1)
    with closing(open_writer(path)) as connection:
        for n in range(channels):
            with transaction(connection):
                connection.execute("INSERT INTO channel VALUES (?, ?, 'V')", (n + 1, f"array.a{n}.voltage"))
        for day in range(DAYS):
            with transaction(connection):
                times = range(START + day * DAY_MS, START + (day + 1) * DAY_MS, MINUTE_MS)
                rows = ((t, n + 1, v := rng.random(), v, v, 60) for t in times for n in range(channels))
                connection.executemany("INSERT INTO minute VALUES (?, ?, ?, ?, ?, ?)", rows)


def read(path: Path, number: int, channels: int) -> None:
    """Ask for seven days again and again until standard input ends; say what came of it."""
    over = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), over.set()), daemon=True).start()
    looks, faults = 0, []
    kept = open_reader(path) if number % 2 else None
    print("reading", flush=True)
    while not over.is_set():
        try:
            connection = kept or open_reader(path)
            rows = connection.execute(
                "SELECT t, mean, low, high FROM minute WHERE channel = ? AND t >= ? AND t < ?",
                (1 + (looks + number) % channels, START, START + DAYS * DAY_MS),
            ).fetchall()
            connection.execute("SELECT count(*), max(t) FROM sample").fetchone()
            if len(rows) != DAYS * 1440:
                faults.append(f"{len(rows)} rows")
            if connection is not kept:
                connection.close()
            looks += 1
        except sqlite3.Error as fault:
            faults.append(str(fault))
    if kept:
        kept.close()
    print(json.dumps({"looks": looks, "faults": faults}), flush=True)


@contextmanager
def reading(path: Path, readers: int, channels: int) -> Iterator[list[dict[str, object]]]:
    """So many readers at work; what each came to, once they have ended."""
    came: list[dict[str, object]] = []
    command = [sys.executable, "-m", "tests.bench_readers", "--read", str(path), "--channels", str(channels)]
    root = Path(__file__).parents[1]
    processes = [
        subprocess.Popen(
            [*command, "--number", str(n)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=root
        )
        for n in range(readers)
    ]
    try:
        for process in processes:
            assert process.stdout
            process.stdout.readline()
        yield came
    finally:
        for process in processes:
            said, _ = process.communicate()
            came.append(json.loads(said) if said else {"looks": 0, "faults": ["it died"]})


def _log_size(path: Path) -> int:
    log = path.with_name(path.name + "-wal")
    return log.stat().st_size if log.exists() else 0


def write(path: Path, seconds: float, begin: int) -> tuple[int, list[float], int]:
    """A commit of one row, fifty times a second; rows sent, their delays, and the largest log."""
    delays, largest = [], 0
    pause, began = threading.Event(), time.monotonic()
    with closing(open_writer(path)) as connection:
        for n in range(round(seconds * RATE)):
            due = began + n / RATE
            pause.wait(max(0.0, due - time.monotonic()))
            with transaction(connection):
                connection.execute("INSERT INTO sample VALUES (?, ?, ?)", (begin + n, 1 + n % CHANNELS, float(n)))
            delays.append(time.monotonic() - due)
            largest = max(largest, _log_size(path))
    return len(delays), delays, largest


def run(folder: Path, seconds: float, readers: int, channels: int = CHANNELS) -> Seen:
    """One writer beside so many readers; none for the bare reference."""
    path = folder / f"{readers}.db"
    filled(path, channels)
    with reading(path, readers, channels) as came:
        sent, delays, largest = write(path, seconds, START)
    with closing(open_reader(path)) as connection:
        (kept,) = connection.execute("SELECT count(*) FROM sample").fetchone()
    delays.sort()
    looks = sum(int(str(one["looks"])) for one in came)
    faults = [str(fault) for one in came for fault in one["faults"]]  # type: ignore[attr-defined]
    return Seen(sent, kept, delays[int(0.99 * (len(delays) - 1))], delays[-1], largest, looks, faults)


def hour(folder: Path, flushes: int = HOUR_FLUSHES, channels: int = CHANNELS) -> Seen:
    """An hour's worth of flushes with a page left open."""
    path, largest, took = folder / "hour.db", 0, []
    filled(path, channels)
    with reading(path, 2, channels) as came, closing(open_writer(path)) as connection:
        for n in range(flushes):
            began = time.monotonic()
            with transaction(connection):
                first = START + n * 30_000
                rows = ((first + 1000 * (i // CHANNELS), 1 + i % CHANNELS, float(i)) for i in range(FLUSH_SAMPLES))
                connection.executemany("INSERT INTO sample VALUES (?, ?, ?)", rows)
            took.append(time.monotonic() - began)
            largest = max(largest, _log_size(path))
    with closing(open_reader(path)) as connection:
        (kept,) = connection.execute("SELECT count(*) FROM sample").fetchone()
    took.sort()
    looks = sum(int(str(one["looks"])) for one in came)
    faults = [str(fault) for one in came for fault in one["faults"]]  # type: ignore[attr-defined]
    sent = flushes * FLUSH_SAMPLES
    return Seen(sent, kept, took[int(0.99 * (len(took) - 1))], took[-1], largest, looks, faults)


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--readers", type=int, default=8)
    parser.add_argument("--read", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--number", type=int, default=0, help=argparse.SUPPRESS)
    parser.add_argument("--channels", type=int, default=CHANNELS, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.read:
        read(options.read, options.number, options.channels)
        return 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        bare = run(folder, max(options.seconds / 6, 2), 0)
        beside = run(folder, options.seconds, options.readers)
        page = hour(folder)
    for what, seen in (("alone", bare), (f"{options.readers} readers", beside), ("an hour's flushes", page)):
        print(
            f"{what:18} {seen.kept} of {seen.sent} rows, commit p99 {1000 * seen.p99_s:7.1f} ms, "
            f"longest {1000 * seen.longest_s:7.1f} ms, log {seen.log_bytes / (1 << 20):5.1f} MiB, "
            f"{seen.looks} looks, {len(seen.faults)} faults {seen.faults[:2] or ''}"
        )
    print(f"p99 beside over alone: {beside.p99_s / bare.p99_s:.1f}   (at most {MOST_DELAY_S:g} s, log at most 16 MiB)")
    whole = all(seen.kept == seen.sent and not seen.faults for seen in (bare, beside, page))
    return 0 if whole and max(beside.log_bytes, page.log_bytes) <= MOST_LOG else 1


if __name__ == "__main__":
    sys.exit(main())
