"""How far the yield to expect, and the states, can be believed: against vessels whose truth is known.

Run by hand: ``python -m tests.bench_yield [--vessels 61] [--seed 5]``. For every latitude and every kind of evidence of
the light it prints on how many days the 95 % interval held the true energy that could have been had, the median error,
the share of daylight minutes whose state was right, and how often a limited or sound array was called a shortfall. The
vessels share no physics with the analysis (`fixtures/waters`); each is looked at for three days, and together their
days run through the twelve months.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from analysis.judging import judge_days
from analysis.results_writing import DayResults
from fixtures.waters.aboard import NIGHT, STATES, Aboard, live
from fixtures.waters.instruments import EVIDENCE, Instruments
from fixtures.waters.record import MINUTE_MS, begin, forget, settings_of, write
from fixtures.waters.vessels import SIDES, rated_w
from fixtures.waters.weather import LONGITUDE, MINUTES, Fleet
from logger.schema import prepare

# Shown to nobody who sets an uncertainty: those are reasoned on seeds 1 to 4.
LATITUDES, SEED = (0.0, 20.0, 38.0, 55.0, 69.0), 5
_NEW_YEAR = dt.date(2025, 1, 1)
# Days on which less could be had than three minutes of full sun have no energy to be right about.
_LEAST_H = 0.05


@dataclass
class Tally:
    """What came out for one kind of evidence at one latitude."""

    days: int = 0
    held: int = 0
    below: int = 0
    errors: list[float] = field(default_factory=list)
    widths: list[float] = field(default_factory=list)
    confusion: Counter[tuple[str, str]] = field(default_factory=Counter)
    shortfalls: int = 0
    limited_shortfalls: int = 0
    unjudged: int = 0

    def add(self, other: Tally) -> None:
        for name in ("days", "held", "below", "shortfalls", "limited_shortfalls", "unjudged"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.errors += other.errors
        self.widths += other.widths
        self.confusion.update(other.confusion)

    @property
    def coverage(self) -> float:
        return self.held / self.days if self.days else float("nan")

    @property
    def median_error(self) -> float:
        return float(np.median(np.abs(self.errors))) if self.errors else float("nan")

    @property
    def bias(self) -> float:
        return float(np.median(self.errors)) if self.errors else float("nan")

    @property
    def right(self) -> float:
        """Share of daylight minutes whose state is right."""
        total = sum(self.confusion.values())
        return sum(n for (true, said), n in self.confusion.items() if true == said) / total if total else float("nan")


@contextmanager
def store() -> Iterator[sqlite3.Connection]:
    """An empty store for one vessel after another."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "waters.db"
        prepare(path)
        connection = sqlite3.connect(path, isolation_level=None)
        connection.execute("PRAGMA journal_mode = MEMORY")
        connection.execute("PRAGMA synchronous = OFF")
        try:
            yield connection
        finally:
            connection.close()


def tally(fleet: Fleet, kinds: Sequence[str], vessels: Iterable[int] | None = None) -> dict[str, Tally]:
    """Judge the vessels of a fleet by every kind of evidence."""
    aboard = live(fleet)
    instruments = Instruments(aboard)
    found = {kind: Tally() for kind in kinds}
    with store() as connection:
        for vessel in range(fleet.vessels) if vessels is None else vessels:
            start = round(float(fleet.start_s[vessel, 0])) * 1000
            with _committed(connection):
                begin(connection)
                write(connection, start, instruments.common(vessel))
            for kind in kinds:
                with _committed(connection):
                    numbers = write(connection, start, instruments.light(kind, vessel))
                # An array by itself has nothing but the clear sky.
                sides = SIDES[:1] if kind == "clear" else SIDES
                days = _judged(connection, aboard, vessel, start, sides)
                _compare(aboard, vessel, start, days, sides, found[kind])
                with _committed(connection):
                    forget(connection, numbers)
    return found


@contextmanager
def _committed(connection: sqlite3.Connection) -> Iterator[None]:
    """All that is written within in one piece: a commit a row would take longer than the judging."""
    connection.execute("BEGIN")
    yield
    connection.execute("COMMIT")


def _judged(
    connection: sqlite3.Connection, aboard: Aboard, vessel: int, start: int, sides: Sequence[str]
) -> list[DayResults]:
    fleet = aboard.fleet
    first = _NEW_YEAR + dt.timedelta(fleet.first_day[vessel])
    dates = [first + dt.timedelta(day) for day in range(fleet.days)]
    record = (start, start + fleet.shape[1] * MINUTE_MS)
    settings = settings_of(aboard, vessel, sides)
    return judge_days(connection, settings, "waters", dates, dict.fromkeys(sides, False), record, LONGITUDE)


def _compare(
    aboard: Aboard, vessel: int, start: int, days: list[DayResults], sides: Sequence[str], into: Tally
) -> None:
    for number, name in enumerate(sides):
        free, truth = aboard.sides[number].free[vessel], aboard.runs[number].state[vessel]
        for i, day in enumerate(days):
            minutes = slice(i * MINUTES, (i + 1) * MINUTES)
            _energy(day, name, free, start, rated_w(vessel), into)
            _states(day, name, truth[minutes], into)
            _verdict(day, name, truth[minutes], into)


def _energy(day: DayResults, name: str, free: np.ndarray, start: int, rated: float, into: Tally) -> None:  # type: ignore[type-arg]
    judged = next(d for d in day.array_days if d.array == name)
    worked_out = day.expected[name]
    if not len(worked_out.start):
        return
    known = np.isfinite(worked_out["measured_w"]) & np.isfinite(worked_out["high_w"])
    if judged.expected_wh is not None:
        known &= np.isfinite(worked_out["expected_w"]) & (worked_out["plane_wm2"] >= 20)
    at = (worked_out.start[known] - start) // MINUTE_MS
    step = worked_out.step // MINUTE_MS
    minutes = (at[:, None] + np.arange(step)).ravel()
    true_wh = float(free[minutes[(minutes >= 0) & (minutes < len(free))]].sum()) / 60
    if true_wh < _LEAST_H * rated:
        return
    into.days += 1
    if judged.expected_wh is None:
        # The clear sky alone is a bound, not an estimate.
        into.held += true_wh <= float(worked_out["high_w"][known].sum()) * step / 60
        return
    low, high = judged.expected_low_wh or 0.0, judged.expected_high_wh or 0.0
    into.held += low <= true_wh <= high
    into.below += true_wh < low
    into.errors.append(judged.expected_wh / true_wh - 1)
    into.widths.append((high - low) / 2 / true_wh)


def _states(day: DayResults, name: str, truth: np.ndarray, into: Tally) -> None:  # type: ignore[type-arg]
    said = np.full(MINUTES, "", dtype=object)
    for run in day.states:
        if run.array == name:
            said[round((run.start - day.sun.start) / MINUTE_MS) : round((run.stop - day.sun.start) / MINUTE_MS)] = (
                run.state
            )
    light = truth != NIGHT
    words = np.array(STATES, dtype=object)[truth]
    into.confusion.update(zip(words[light].tolist(), said[light].tolist(), strict=True))


def _verdict(day: DayResults, name: str, truth: np.ndarray, into: Tally) -> None:  # type: ignore[type-arg]
    judged = next(d for d in day.array_days if d.array == name)
    into.unjudged += judged.verdict == "cannot tell"
    if judged.verdict == "shortfall":
        # A controller whose switch stood open is one, if anything is.
        parted = (truth == STATES.index("no-current")).any()
        into.shortfalls += not parted
        limited = [STATES.index(w) for w in ("held-back", "bank-limited", "current-limited", "heat-derated")]
        into.limited_shortfalls += bool(np.isin(truth, limited).sum() > 30) and not parted


def lines(table: dict[tuple[float, str], Tally], kinds: Sequence[str]) -> Iterator[str]:
    """The table, a line a latitude and a kind of evidence, then the sums over the latitudes, then the confusions."""
    yield "latitude | evidence   | days | held % | median error % | bias % | half width % | state % | false shortfalls"
    latitudes = sorted({latitude for latitude, _ in table})
    whole = {kind: Tally() for kind in kinds}
    for latitude in latitudes:
        for kind in kinds:
            whole[kind].add(table[latitude, kind])
            yield _line(f"{latitude:8.0f}", kind, table[latitude, kind])
    for kind in kinds:
        yield _line("     all", kind, whole[kind])
    for kind in kinds:
        wrong = [(n, pair) for pair, n in whole[kind].confusion.items() if pair[0] != pair[1]]
        total = sum(whole[kind].confusion.values())
        told = ", ".join(f"{a} called {b} {100 * n / total:.2f} %" for n, (a, b) in sorted(wrong, reverse=True)[:7])
        yield f"{kind}: {told}"


def _line(head: str, kind: str, found: Tally) -> str:
    width = 100 * float(np.median(found.widths)) if found.widths else float("nan")
    return (
        f"{head} | {kind:10} | {found.days:4} | {100 * found.coverage:6.1f} | {100 * found.median_error:14.1f} | "
        f"{100 * found.bias:6.1f} | {width:12.1f} | {100 * found.right:7.1f} | "
        f"{found.shortfalls} (limited {found.limited_shortfalls}), cannot tell {found.unjudged}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vessels", type=int, default=61, help="a latitude")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--latitudes", type=float, nargs="+", default=list(LATITUDES))
    parser.add_argument("--evidence", nargs="+", default=list(EVIDENCE), choices=EVIDENCE)
    asked = parser.parse_args()
    table = {}
    for latitude in asked.latitudes:
        for kind, found in tally(Fleet(asked.seed, latitude, asked.vessels), asked.evidence).items():
            table[latitude, kind] = found
    print("\n".join(lines(table, asked.evidence)))


if __name__ == "__main__":
    main()
