"""How fast bytes become committed samples, against a bare ``executemany`` into the same table in the same run.

    python -m tests.bench_ingest [--lines N]

Both commit after as many lines. The bytes come in pieces of 4096, as a terminal hands over what has gathered. Their
way: framing, fields, times, range, samples, source, stale hours and rollups, in the writer's own transactions. The bare
way: rows made beforehand, ``executemany``, commit.
"""

from __future__ import annotations

import argparse
import random
import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path
from threading import Condition, Event

from logger.batches import LiveBatch
from logger.collector import spread
from logger.decoders.registry import make
from logger.outbox import Outbox
from logger.plan import ChannelPlan, Plan, SourcePlan
from logger.readings import Record
from logger.schema import prepare
from logger.store import open_writer, transaction
from logger.timeline import Timeline
from logger.writer import Writer

CHANNELS = 50
LINES_A_COMMIT = 300
PIECE = 4096
REPEATS = 5
START_MS = 1_781_265_600_000

Row = tuple[int, int, float]


class StoryClock:
    """Moved by the benchmark, one second a line."""

    def __init__(self) -> None:
        self.ms = START_MS

    def now_ms(self) -> int:
        return self.ms

    def boot_ns(self) -> int:
        return self.ms * 1_000_000

    def boot_id(self) -> str:
        return "bench"

    def synchronised_ms(self) -> int | None:
        return 0

    def wait(self, on: Event | Condition, seconds: float) -> bool:
        return False


def source() -> SourcePlan:
    channels = tuple(ChannelPlan(n + 1, f"array.a{n}.voltage", "V", 1e-3, 0.0, -2.0, 1000.0) for n in range(CHANNELS))
    return SourcePlan("bench", "serial", channels, port="-", separator=",")


def lines(count: int) -> list[bytes]:
    rng = random.Random(1)
    return [b",".join(b"%d" % rng.randrange(10_000, 60_000) for _ in range(CHANNELS)) + b"\r\n" for _ in range(count)]


def through_the_logger(path: Path, said: list[bytes]) -> float:
    """Seconds from bytes to the last commit."""
    plan = source()
    clock, outbox = StoryClock(), Outbox()
    timeline = Timeline(clock, lambda t, text: None)
    writer = Writer(Plan("", "bench", str(path), 30.0, (plan,)), clock, timeline, outbox)
    with closing(writer):
        decoder = make(plan, distrust_first=False)
        channels = {channel.channel: channel for channel in plan.channels}
        stream = b"".join(said)
        last, unwritten = 0, 0
        began = time.perf_counter()
        for at in range(0, len(stream), PIECE):
            since = timeline.now_ms()
            records = [item for item in decoder.feed(stream[at : at + PIECE]) if isinstance(item, Record)]
            clock.ms += 1000 * len(records)
            times = spread(len(records), since, timeline.now_ms(), last)
            last = times[-1]
            outbox.put(LiveBatch(plan.name, "reading", channels, tuple(zip(times, records, strict=True))))
            unwritten += len(records)
            if unwritten >= LINES_A_COMMIT:
                writer.flush()
                unwritten = 0
        writer.finish()
        return time.perf_counter() - began


def bare(path: Path, said: list[bytes]) -> float:
    """Seconds for the same samples, already rows."""
    rows: list[list[Row]] = [[] for _ in range(-(-len(said) // LINES_A_COMMIT))]
    for n, line in enumerate(said):
        t = START_MS + 1000 * (n + 1)
        rows[n // LINES_A_COMMIT] += [(t, c + 1, int(v) * 1e-3) for c, v in enumerate(line.split(b","))]
    with closing(open_writer(path)) as connection:
        began = time.perf_counter()
        for piece in rows:
            with transaction(connection):
                connection.executemany("INSERT INTO sample (t, channel, value) VALUES (?, ?, ?)", piece)
        return time.perf_counter() - began


def samples(path: Path) -> list[Row]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT t, channel, value FROM sample ORDER BY t, channel").fetchall()


def run(folder: Path, count: int) -> tuple[float, float]:
    """Samples a second through the logger and bare; both stores must hold the same."""
    said = lines(count)
    rates = []
    for name, way in (("bare", bare), ("logger", through_the_logger)):
        path = folder / f"{name}.db"
        prepare(path)
        rates.append(count * CHANNELS / way(path, said))
    if samples(folder / "bare.db") != samples(folder / "logger.db"):
        raise SystemExit("the two stores differ")
    return rates[1], rates[0]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--lines", type=int, default=12_000, help=f"lines of {CHANNELS} fields")
    count = parser.parse_args().lines
    rates = []
    for _ in range(REPEATS):
        with tempfile.TemporaryDirectory() as folder:
            rates.append(run(Path(folder), count))
        print("logger {:9,.0f} samples/s, bare {:9,.0f} samples/s".format(*rates[-1]))
    # The best of each: whatever else the machine does only ever slows them.
    print(f"ratio {max(r[0] for r in rates) / max(r[1] for r in rates):.2f} (to reach: 0.30)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
