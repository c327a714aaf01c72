"""Owns what live sources hand to the writer, and how each is written."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import chain

from logger.plan import ChannelPlan
from logger.protocols import Stretch
from logger.readings import Record
from logger.store import Channels, keep_rejects

OUT_OF_RANGE = "out of range"

Row = tuple[int, int, float]

_SAMPLE = "INSERT INTO sample (t, channel, value) VALUES (?, ?, ?)"
_TOGETHER = 16
_SAMPLES = _SAMPLE + ", (?, ?, ?)" * (_TOGETHER - 1)
_ANY = "SELECT 1 FROM sample WHERE t BETWEEN ? AND ? LIMIT 1"
_EVENT = "INSERT INTO event (t, session, source, kind, text) VALUES (?, (SELECT max(id) FROM session), ?, ?, ?)"
_SOURCE = """
INSERT INTO source (name, state, last_seen, readings, rejects) VALUES (?, ?, ?, ?, ?)
ON CONFLICT (name) DO UPDATE SET state = excluded.state, last_seen = coalesce(excluded.last_seen, last_seen),
  readings = readings + excluded.readings, rejects = rejects + excluded.rejects
"""


@dataclass(frozen=True, slots=True)
class EventBatch:
    """Something happened.

    Attributes
    ----------
    t : int
        When [ms UTC].
    source : str or None
        To which source.
    kind, text : str
        In a word, and in a sentence.
    """

    t: int
    source: str | None
    kind: str
    text: str
    size: int = 1
    can_wait: bool = False

    def write(self, connection: sqlite3.Connection, channels: Channels) -> list[Stretch]:
        connection.execute(_EVENT, (self.t, self.source, self.kind, self.text))
        return []

    def moved(self, shift_ms: int) -> EventBatch:
        """The same, so much later [ms]."""
        return replace(self, t=self.t + shift_ms)


@dataclass(frozen=True, slots=True)
class LiveBatch:
    """What one read of a live line came to.

    Attributes
    ----------
    source : str
        Its name.
    state : str
        ``waiting``, ``reading``, ``unheard`` or ``failing``.
    channels : mapping of str to ChannelPlan
        The source's channels, by name.
    moments : tuple of (int, Record)
        Times [ms UTC], rising, and what was said then.
    rejects : tuple of (int, bytes, str)
        Time, bytes, reason of those that are kept.
    rejected : int
        How many there were.
    marks : tuple of (int, str, str)
        Time [ms UTC], channel and reason of the readings in doubt.
    """

    source: str
    state: str
    channels: Mapping[str, ChannelPlan]
    moments: tuple[tuple[int, Record], ...] = ()
    rejects: tuple[tuple[int, bytes, str], ...] = ()
    rejected: int = 0
    marks: tuple[tuple[int, str, str], ...] = ()
    can_wait: bool = False
    size: int = field(init=False)

    def __post_init__(self) -> None:
        # A record without readings still weighs something, and so does a reject.
        size = sum(len(record.readings) for _, record in self.moments) + len(self.moments) + len(self.rejects)
        object.__setattr__(self, "size", size)

    def write(self, connection: sqlite3.Connection, channels: Channels) -> list[Stretch]:
        rows, doubtful = self._rows(channels)
        if rows:
            moved = insert_samples(connection, rows)
            connection.executemany(
                "INSERT OR IGNORE INTO mark (t, channel, reason) VALUES (?, ?, ?)",
                [(moved.get(key, key[0]), key[1], reason) for key, reason in doubtful],
            )
        if self.rejects:
            keep_rejects(connection, [(t, self.source, raw, reason) for t, raw, reason in self.rejects])
        last = self.moments[-1][0] if self.moments else None
        connection.execute(_SOURCE, (self.source, self.state, last, len(rows), self.rejected))
        return [(min(rows)[0], max(rows)[0] + 1)] if rows else []

    def moved(self, shift_ms: int) -> LiveBatch:
        """The same, so much later [ms]; a record that brought a time of its own keeps it."""
        return replace(
            self,
            moments=tuple((t + shift_ms, record) for t, record in self.moments),
            rejects=tuple((t + shift_ms, raw, reason) for t, raw, reason in self.rejects),
            marks=tuple((t + shift_ms, name, reason) for t, name, reason in self.marks),
        )

    def _rows(self, channels: Channels) -> tuple[list[Row], list[tuple[tuple[int, int], str]]]:
        """Sample rows, and the keys of those in doubt with the reasons."""
        rows: list[Row] = []
        doubtful: list[tuple[tuple[int, int], str]] = []
        ids, plans = channels.ids, self.channels
        for heard, record in self.moments:
            t = heard if record.t is None else record.t
            for name, value in record.readings:
                plan = plans[name]
                channel = ids.get(name) or channels.id(name, plan.unit)
                if isinstance(value, str):
                    rows.append((t, channel, channels.code(channel, value)))
                    continue
                if not plan.low <= value <= plan.high:
                    doubtful.append(((t, channel), OUT_OF_RANGE))
                rows.append((t, channel, value))
        if self.marks:
            own = {heard: record.t for heard, record in self.moments if record.t is not None}
            doubtful += [((own.get(t, t), ids[name]), reason) for t, name, reason in self.marks]
        return rows, doubtful


def insert_samples(connection: sqlite3.Connection, rows: list[Row]) -> dict[tuple[int, int], int]:
    """Insert the rows; one that finds its place taken moves on to the next free millisecond.

    A place is taken where two sources feed one channel, or where a clock without a battery has come to the same time
    once more: what was kept first stays, what comes now is not lost.
    """
    if not connection.execute(_ANY, (min(rows)[0], max(rows)[0])).fetchone():
        # A round of the statement for sixteen rows takes half the time of sixteen rounds.
        whole = len(rows) // _TOGETHER * _TOGETHER
        values = chain.from_iterable(rows[:whole])
        connection.executemany(_SAMPLES, zip(*[values] * (3 * _TOGETHER), strict=True))
        connection.executemany(_SAMPLE, rows[whole:])
        return {}
    return dict(_insert_singly(connection, row) for row in rows)


def _insert_singly(connection: sqlite3.Connection, row: Row) -> tuple[tuple[int, int], int]:
    start, channel, value = row
    t = start
    while connection.execute(_SAMPLE.replace("INSERT", "INSERT OR IGNORE"), (t, channel, value)).rowcount == 0:
        t += 1
    return (start, channel), t
