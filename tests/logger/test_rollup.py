"""Rollups say what the samples say: checked against a slow reference that shares no code with them."""

from __future__ import annotations

import sqlite3
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.rollup import refresh
from logger.schema import prepare
from logger.store import open_writer, transaction

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
BASE = 19_724 * DAY  # 2024-01-02T00:00Z
FIRST, SECOND, WORDS = 1, 2, 3
UNITS = {FIRST: "V", SECOND: "A", WORDS: "text"}


@dataclass
class Record:
    """What a store is filled with."""

    samples: dict[tuple[int, int], float] = field(default_factory=dict)
    marks: dict[tuple[int, int], str] = field(default_factory=dict)
    spans: list[tuple[int, int, int, int]] = field(default_factory=list)  # channel, start, stop, length


Row = tuple[float, float, float, int]


def length_of(record: Record, t: int, channel: int) -> int:
    """Length of the mean that a sample is, 0 for an instant: of several spans the shortest."""
    return min((length for c, start, stop, length in record.spans if c == channel and start <= t < stop), default=0)


def pieces(record: Record, channel: int) -> Iterator[tuple[int, int, list[float]]]:
    """What covers time: (start, stop, values) of each minute with short samples and of each longer mean."""
    minutes: dict[int, list[float]] = defaultdict(list)
    for (t, c), value in record.samples.items():
        if c != channel or record.marks.get((t, c), "time restored") != "time restored":
            continue
        length = length_of(record, t, c)
        if length > MINUTE:
            yield t, t + length, [value]
        else:
            minutes[t // MINUTE * MINUTE].append(value)
    for start, values in minutes.items():
        yield start, start + MINUTE, values


def reference(record: Record, step: int, now: int) -> dict[tuple[int, int], Row]:
    """Rows of the table of that step, from the samples alone, one interval at a time."""
    found: dict[tuple[int, int], Row] = {}
    for channel, unit in UNITS.items():
        everything = list(pieces(record, channel))
        if step == MINUTE:
            everything = [piece for piece in everything if piece[1] - piece[0] == MINUTE]
        starts = {t // step * step for a, b, _ in everything for t in [*range(a, b, step), b - 1]}
        for start in starts:
            inside = [
                (min(b, start + step) - max(a, start), v) for a, b, v in everything if a < start + step and b > start
            ]
            if start + step <= now and inside:
                found[start, channel] = word_row(inside) if unit == "text" else number_row(inside)
    return found


def number_row(inside: list[tuple[int, list[float]]]) -> Row:
    covered = sum(weight for weight, _ in inside)
    mean = sum(weight * sum(values) / len(values) for weight, values in inside) / covered
    return mean, min(min(v) for _, v in inside), max(max(v) for _, v in inside), sum(len(v) for _, v in inside)


def word_row(inside: list[tuple[int, list[float]]]) -> Row:
    held: Counter[float] = Counter()
    for weight, values in inside:
        seen = Counter(values)
        held[min(seen, key=lambda code: (-seen[code], code))] += weight
    word = min(held, key=lambda code: (-held[code], code))
    return word, word, word, sum(len(v) for _, v in inside)


# -- strategies ---------------------------------------------------------------------------------------------

times = st.one_of(
    st.integers(0, 50 * HOUR // 7_500).map(lambda k: BASE + k * 7_500),
    st.integers(0, 200).map(lambda k: BASE + 22 * HOUR + k * 15 * MINUTE + 60_000),
)
values = st.sampled_from([0.0, 1.0, 2.0, 3.5, -4.25, 1e6])
channels = st.sampled_from(list(UNITS))
span_rows = st.tuples(
    channels,
    st.integers(0, 50).map(lambda k: BASE + k * HOUR + 60_000),
    st.integers(1, 60).map(lambda k: k * 45 * MINUTE),
    st.sampled_from([MINUTE, 15 * MINUTE, HOUR, 5 * HOUR, 30 * HOUR]),
).map(lambda row: (row[0], row[1], row[1] + row[2], row[3]))


@st.composite
def records(draw: st.DrawFn) -> Record:
    rows = draw(st.dictionaries(st.tuples(times, channels), values, max_size=40))
    samples = {(t, c): float(int(abs(v)) % 3) if c == WORDS else v for (t, c), v in rows.items()}
    marks: dict[tuple[int, int], str] = {}
    if samples:
        reasons = st.sampled_from(["out of range", "time restored"])
        marks = draw(st.dictionaries(st.sampled_from(sorted(samples)), reasons, max_size=4))
    return Record(samples, marks, draw(st.lists(span_rows, max_size=4)))


@pytest.fixture(scope="module")
def connection(tmp_path_factory: pytest.TempPathFactory) -> Iterator[sqlite3.Connection]:
    path: Path = tmp_path_factory.mktemp("rollup") / "x.db"
    prepare(path)
    with closing(open_writer(path)) as opened:
        opened.execute("PRAGMA synchronous = OFF")
        yield opened


def fill(connection: sqlite3.Connection, record: Record) -> None:
    for table in ("sample", "mark", "span", "minute", "hour", "day", "channel"):
        connection.execute(f"DELETE FROM {table}")
    connection.executemany("INSERT INTO channel VALUES (?, ?, ?)", [(c, f"c{c}", u) for c, u in UNITS.items()])
    connection.executemany("INSERT INTO sample VALUES (?, ?, ?)", [(*key, v) for key, v in record.samples.items()])
    connection.executemany("INSERT INTO mark VALUES (?, ?, ?)", [(*key, why) for key, why in record.marks.items()])
    connection.executemany(
        "INSERT INTO span VALUES (?, ?, ?, ?, 'start', ?)",
        [(c, start, stop, length, f"s{n}") for n, (c, start, stop, length) in enumerate(record.spans)],
    )


def held(connection: sqlite3.Connection, table: str) -> dict[tuple[int, int], Row]:
    return {(t, c): (*row,) for t, c, *row in connection.execute(f"SELECT t, channel, mean, low, high, n FROM {table}")}


def assert_says(connection: sqlite3.Connection, record: Record, now: int) -> None:
    for table, step in (("minute", MINUTE), ("hour", HOUR), ("day", DAY)):
        expected = reference(record, step, now)
        found = held(connection, table)
        assert found.keys() == expected.keys(), table
        for key, row in expected.items():
            assert found[key] == pytest.approx(row, rel=1e-12, abs=1e-9), (table, key)


nows = st.integers(0, 100 * 60).map(lambda k: BASE + k * MINUTE)


@given(record=records(), now=nows)
def test_rows_say_what_the_samples_say(connection: sqlite3.Connection, record: Record, now: int) -> None:
    """Every closed interval with samples has the row they come to, weighed by covered time; no other has one."""
    with transaction(connection):
        fill(connection, record)
        refresh(connection, BASE, BASE + 10 * DAY, now)
    assert_says(connection, record, now)


@given(record=records(), cuts=st.lists(st.integers(0, 55 * HOUR), max_size=5))
def test_piece_by_piece_comes_to_the_same(connection: sqlite3.Connection, record: Record, cuts: list[int]) -> None:
    """Refreshing stretch by stretch and channel by channel gives what one refresh of everything gives."""
    with transaction(connection):
        fill(connection, record)
        edges = [BASE, *sorted(BASE + cut for cut in cuts), BASE + 10 * DAY]
        for start, stop in pairwise(edges):
            for channel in UNITS:
                refresh(connection, start, stop, BASE + 20 * DAY, [channel])
    assert_says(connection, record, BASE + 20 * DAY)


@given(record=records(), key=st.tuples(times, channels), value=values)
def test_a_late_sample_changes_what_it_touches(
    connection: sqlite3.Connection, record: Record, key: tuple[int, int], value: float
) -> None:
    """A sample that comes late is in every row it reaches after its own moment alone was refreshed."""
    now = BASE + 20 * DAY
    with transaction(connection):
        fill(connection, record)
        refresh(connection, BASE, BASE + 10 * DAY, now)
        record.samples[key] = abs(value)
        connection.execute("INSERT OR REPLACE INTO sample VALUES (?, ?, ?)", (*key, abs(value)))
        refresh(connection, key[0], key[0] + 1, now, [key[1]])
    assert_says(connection, record, now)


def test_a_quarter_hour_mean_counts_for_its_quarter(connection: sqlite3.Connection) -> None:
    """Means stamped 00:01, 00:16, 00:31, 00:46: the hour holds 59 min of them, and the last reaches a minute on.

    Worked by hand: (100 + 200 + 300)·15 min + 400·14 min over 59 min; the next hour has 400 for one minute.
    """
    spans = [(FIRST, BASE + MINUTE, BASE + 61 * MINUTE, 15 * MINUTE)]
    samples = {(BASE + (1 + 15 * k) * MINUTE, FIRST): 100.0 * (k + 1) for k in range(4)}
    with transaction(connection):
        fill(connection, Record(samples, {}, spans))
        refresh(connection, BASE, BASE + HOUR, BASE + DAY)
    rows = held(connection, "hour")
    assert rows[BASE, FIRST] == pytest.approx(((600 * 15 + 400 * 14) / 59, 100, 400, 4))
    assert rows[BASE + HOUR, FIRST] == (400, 400, 400, 1)
    assert held(connection, "minute") == {}
