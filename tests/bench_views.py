"""How long any span of a record of years takes to be read for drawing, at most 2,000 points a trace, peaks kept.

    python -m tests.bench_views [--folder MADE] [--years N] [--channels N] [--rounds N]

Spans from one hour to the whole record, at random moments, in the store, in sealed files and across both; each is one
trace, read on a connection of its own as a page does. Bare way: the bare query of the same rows of the same table by
its key, where they lie in the store. A record made before (python -m fixtures.long_record MADE) is used with --folder.
"""

from __future__ import annotations

import argparse
import random
import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from fixtures.long_record import SPIKE_VALUE, Made, make, names, spikes
from logger import sealed
from logger.record import Record, Series
from logger.store import HOUR_MS, open_reader

MOST = 2000
LIMIT_MS = 200.0
DAY_MS = sealed.DAY_MS
SPANS = {
    "1 hour": HOUR_MS,
    "1 day": DAY_MS,
    "30 hours": 30 * HOUR_MS,
    "1 week": 7 * DAY_MS,
    "1 month": 30 * DAY_MS,
    "1 year": 365 * DAY_MS,
    "5 years": 1826 * DAY_MS,
}


@dataclass(frozen=True, slots=True)
class Measured:
    """Times of one length of span, ascending [ms], the most points of a trace, and whether every spike was seen."""

    span: str
    ours_ms: list[float]
    bare_ms: list[float]
    points: int
    seen: bool

    @property
    def p95(self) -> float:
        return percentile(self.ours_ms)


def percentile(values: list[float], share: float = 0.95) -> float:
    return sorted(values)[min(len(values) - 1, int(share * len(values)))]


def run(made: Made, rounds: int = 20, seed: int = 5) -> list[Measured]:
    """Read spans of each length at random moments."""
    rng = random.Random(seed)
    known = spikes(made.start, made.stop)
    found = []
    for name, length in SPANS.items():
        length = min(length, made.stop - made.start)  # noqa: PLW2901 - a short record has no longer span
        ours, bare, points, seen = [], [], 0, True
        for _ in range(rounds):
            start = rng.randrange(made.start, made.stop - length + 1, 60_000)
            channel = rng.choice(made.channels)
            took, series = _ours(made, channel, start, start + length)
            ours.append(took)
            bare.append(_bare(made, channel, start, start + length))
            points = max(points, len(series.t))
            # Only a spike whose interval lies wholly in the span must show.
            within = any(start <= t - t % series.step_ms and t + series.step_ms <= start + length for t in known)
            seen &= not within or max(series.high) == SPIKE_VALUE
        found.append(Measured(name, sorted(ours), sorted(bare), points, seen))
    return found


def _ours(made: Made, channel: str, start: int, stop: int) -> tuple[float, Series]:
    began = time.perf_counter()
    with closing(open_reader(made.store)) as connection:
        series = Record(connection).series(channel, start, stop, MOST)
    took = (time.perf_counter() - began) * 1000
    assert series is not None
    return took, series


def _bare(made: Made, channel: str, start: int, stop: int) -> float:
    table = next((t for t, s in (("minute", 60_000), ("hour", HOUR_MS)) if (stop - start) / s <= MOST), "day")
    with closing(sqlite3.connect(made.store)) as connection:
        (number,) = connection.execute("SELECT id FROM channel WHERE name = ?", (channel,)).fetchone()
        began = time.perf_counter()
        connection.execute(
            f"SELECT t, mean, low, high FROM {table} WHERE channel = ? AND t >= ? AND t < ?", (number, start, stop)
        ).fetchall()
        return (time.perf_counter() - began) * 1000


def opened(folder: Path, channels: int, step_ms: int) -> Made:
    """A record made before."""
    with closing(open_reader(folder / "lapwing.db")) as connection:
        ends = sealed.ends(connection, "sample")
        assert ends is not None
    return Made(folder / "noonmark.toml", folder / "lapwing.db", ends[0], ends[1] + step_ms, names(channels), step_ms)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, help="a record made before")
    parser.add_argument("--years", type=float, default=5)
    parser.add_argument("--channels", type=int, default=50)
    parser.add_argument("--rounds", type=int, default=40)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if options.folder:
            made = opened(options.folder, options.channels, 60_000)
        else:
            made = make(Path(folder), options.years, options.channels)
        results = run(made, options.rounds)
    days = (made.stop - made.start) // DAY_MS
    print(f"{len(made.channels)} channels, {days} days; milliseconds a trace at the 95th percentile")
    print(f"{'span':10} {'ours':>8} {'bare':>8} {'points':>8}  spikes")
    for one in results:
        print(
            f"{one.span:10} {one.p95:8.1f} {percentile(one.bare_ms):8.1f} {one.points:8}  "
            f"{'all seen' if one.seen else 'MISSED'}"
        )
    whole = percentile([value for one in results for value in one.ours_ms])
    print(f"over all spans {whole:.1f} ms (at most {LIMIT_MS:.0f} ms)")
    sys.exit(not (whole <= LIMIT_MS and all(one.seen and one.points <= MOST for one in results)))


if __name__ == "__main__":
    main()
