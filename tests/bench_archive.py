"""What sealing a day costs and saves: 50 channels at 1 Hz, beside bare ways with the same rows in the same run.

    python -m tests.bench_archive [--seconds N]

Then sealing is killed at twenty random moments, and all that the record holds is compared after each.

Bare ways: the bytes that SQLite's table takes; pandas' ``to_parquet`` as it comes; and the time to read the same day
out of SQLite and delete it there. Every value is compared, to the last bit, before and after.
"""

from __future__ import annotations

import argparse
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fixtures.long_record import Made, make
from logger import reading
from logger.rows import Rows
from logger.sealed import DAY_MS
from logger.store import open_writer, transaction
from tests.aboard.test_archive_kills import play

CHANNELS = 50
KILLS = 20
LIMIT_BYTES, LIMIT_S, LIMIT_MB = 1.5, 30.0, 400.0

# Run by itself: the memory it reports is the sealing's own, where getrusage would report its parent's too.
_WORK = """
import sys, time
from contextlib import closing
from pathlib import Path
from logger.archive import Archive
from logger.reopening import take_in_late
from logger.sealed import at_work
from logger.store import open_writer
path, now, what = Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3]
began = time.monotonic()
days, samples, size = 0, 0, 0
with at_work(path), closing(open_writer(path)) as connection:
    if what == "seal":
        done = Archive(connection).seal(1, now)
        days, samples, size = len(done.days), done.samples, done.file_bytes
    else:
        days = len(take_in_late(connection, now))
(line,) = [line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM")]
peak = int(line.split()[1]) / 1024
print(days, samples, size, time.monotonic() - began, peak)
"""


@dataclass(frozen=True, slots=True)
class Cost:
    """What sealing one day came to.

    Attributes
    ----------
    samples : int
    file_bytes, table_bytes, plain_bytes : float
        A sample, in our file, in SQLite's table, in pandas' Parquet as it comes.
    seconds, bare_s : float
        Of the whole run, and of reading and deleting the same rows alone.
    peak_mb : float
        Resident memory of the sealing process at its highest.
    taken_in_s, taken_in_mb : float
        The same of a reading that came late to that day: the day is opened and rolled up, as before an assessment.
    again_s, again_mb : float
        The same of sealing that day anew.
    exact : bool
        Every value as it was, to the last bit, the late one included.
    """

    samples: int
    file_bytes: float
    table_bytes: float
    plain_bytes: float
    seconds: float
    bare_s: float
    peak_mb: float
    taken_in_s: float
    taken_in_mb: float
    again_s: float
    again_mb: float
    exact: bool


def run(folder: Path, step_ms: int = 1000, channels: int = CHANNELS) -> Cost:
    """Seal the older of two days, and do the same the bare way on a copy."""
    made = make(folder / "made", 2 / 365.25, channels, step_ms, hot_days=2)
    with closing(open_writer(made.store)) as connection:
        table_bytes = _table_bytes(connection)
        before = reading.rows(connection, "sample", made.start, made.start + DAY_MS)
        plain = _plain(folder / "plain.parquet", before)
        bare_s = _bare(connection, folder / "bare.db", made)
    days, samples, size, seconds, peak = _worked(made, "seal")
    exact = days == 1 and samples == len(before) and _holds(made, before)
    with closing(open_writer(made.store)) as connection, transaction(connection):
        late = (int(before.t[0]), int(before.channel[0]), 99.0)
        connection.execute("INSERT INTO sample (t, channel, value) VALUES (?, ?, ?)", late)
    before.values[0, 0] = 99.0
    opened, _, _, taken_in_s, taken_in_mb = _worked(made, "take in")
    again, _, _, again_s, again_mb = _worked(made, "seal")
    exact &= opened == again == 1 and _holds(made, before)
    return Cost(
        samples=int(samples),
        file_bytes=size / samples,
        table_bytes=table_bytes,
        plain_bytes=plain / samples,
        seconds=seconds,
        bare_s=bare_s,
        peak_mb=peak,
        taken_in_s=taken_in_s,
        taken_in_mb=taken_in_mb,
        again_s=again_s,
        again_mb=again_mb,
        exact=bool(exact),
    )


def _worked(made: Made, what: str) -> tuple[float, ...]:
    """Days, samples, bytes, seconds and megabytes of a piece of work in a process of its own."""
    command = [sys.executable, "-c", _WORK, str(made.store), str(made.start + 2 * DAY_MS), what]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
    return tuple(map(float, told))


def _holds(made: Made, rows: Rows) -> bool:
    """Whether the first day holds exactly these rows, all of them in its file."""
    with closing(open_writer(made.store)) as connection:
        after = reading.rows(connection, "sample", made.start, made.start + DAY_MS)
        left = connection.execute("SELECT count(*) FROM sample WHERE t < ?", (made.start + DAY_MS,)).fetchone()[0]
    return left == 0 and after.same(rows)


def _table_bytes(connection: sqlite3.Connection) -> float:
    (pages,) = connection.execute("SELECT sum(pgsize) FROM dbstat WHERE name = 'sample'").fetchone()
    (rows,) = connection.execute("SELECT count(*) FROM sample").fetchone()
    return float(pages / rows)


def _plain(path: Path, rows: Rows) -> int:
    import pandas as pd  # noqa: PLC0415 - for this comparison alone

    pd.DataFrame({"t": rows.t, "channel": rows.channel, "value": rows.values[0]}).to_parquet(path)
    return path.stat().st_size


def _bare(connection: sqlite3.Connection, path: Path, made: Made) -> float:
    """Read a day of samples into an array and delete it, in one transaction, on a copy of the store."""
    with closing(sqlite3.connect(path)) as copy:
        connection.backup(copy)
        began = time.monotonic()
        bounds = (made.start, made.start + DAY_MS)
        query = "SELECT t, channel, value FROM sample WHERE t >= ? AND t < ?"
        np.array(copy.execute(query, bounds).fetchall())
        copy.execute("DELETE FROM sample WHERE t >= ? AND t < ?", bounds)
        copy.commit()
        return time.monotonic() - began


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, choices=(1, 2, 5, 10, 20, 60), default=1, help="between two samples")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        cost = run(Path(folder), options.seconds * 1000)
        killed = play(Path(folder) / "killed", kills=KILLS, days=8, step_ms=5_000)
    print(f"samples sealed               {cost.samples:,}, every value {'the same' if cost.exact else 'NOT THE SAME'}")
    print(f"bytes a sample, archive      {cost.file_bytes:.2f}   (at most {LIMIT_BYTES})")
    print(f"bytes a sample, SQLite       {cost.table_bytes:.1f}")
    print(f"bytes a sample, plain        {cost.plain_bytes:.2f}   (pandas' to_parquet)")
    print(f"sealing one day              {cost.seconds:.1f} s    (at most {LIMIT_S:.0f} s)")
    print(f"bare read and delete         {cost.bare_s:.1f} s")
    print(f"resident memory              {cost.peak_mb:.0f} MB   (at most {LIMIT_MB:.0f} MB)")
    print(
        f"one late reading, taken in   {cost.taken_in_s:.1f} s, {cost.taken_in_mb:.0f} MB   (the day opened, rolled up)"
    )
    print(f"and sealed anew              {cost.again_s:.1f} s, {cost.again_mb:.0f} MB")
    print(f"kill -9 while sealing        {killed} of {KILLS} fell into the work; nothing lost, nothing doubled")
    highest = max(cost.peak_mb, cost.taken_in_mb, cost.again_mb)
    good = cost.exact and cost.file_bytes <= LIMIT_BYTES and cost.seconds <= LIMIT_S and highest <= LIMIT_MB
    sys.exit(not good)


if __name__ == "__main__":
    main()
