"""Owns what the store still knows of a source from earlier sessions, so that a new one can tell what has changed."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from logger.errors import StoreError
from logger.parts import HEARD, UNHEARD, named_in
from logger.plan import SourcePlan
from logger.store import HOUR_MS, open_reader

_LAYOUT_MS = 60_000


@dataclass(frozen=True, slots=True)
class Earlier:
    """Of one source.

    Attributes
    ----------
    last_heard : int or None
        When it was last heard [ms UTC].
    same_settings : bool
        Whether it was mapped as it is now, so that other fields are another layout.
    words : dict of str to str
        What its versions were.
    counters : dict of str to float
        Where its day counters stood [Wh].
    layouts : frozenset of frozenset of str
        Channels that came together in its last minute.
    silent : frozenset of str
        Its parts that were silent.
    """

    last_heard: int | None = None
    same_settings: bool = False
    words: dict[str, str] = field(default_factory=dict)
    counters: dict[str, float] = field(default_factory=dict)
    layouts: frozenset[frozenset[str]] = frozenset()
    silent: frozenset[str] = frozenset()


def of(store: Path, plan: SourcePlan, settings_hash: str) -> Earlier:
    """What is known of a source; nothing where the store cannot be read now, for that ends no recording."""
    try:
        with closing(open_reader(store)) as connection:
            return _of(connection, plan, settings_hash)
    except (StoreError, sqlite3.Error):
        return Earlier()


def _of(connection: sqlite3.Connection, plan: SourcePlan, settings_hash: str) -> Earlier:
    row = connection.execute("SELECT last_seen FROM source WHERE name = ?", (plan.name,)).fetchone()
    last = row[0] if row else None
    if last is None:
        return Earlier()
    kept = connection.execute("SELECT hash FROM settings WHERE stop IS NULL ORDER BY start DESC LIMIT 1").fetchone()
    words: dict[str, str] = {}
    counters: dict[str, float] = {}
    for channel in plan.channels:
        if channel.channel.endswith((".version", ".day_energy")):
            value = _last_value(connection, channel.channel, last)
            if isinstance(value, str):
                words[channel.channel] = value
            elif value is not None:
                counters[channel.channel] = value
    same = kept is not None and kept[0] == settings_hash
    layouts = _layouts(connection, plan, last) if same else frozenset()
    return Earlier(last, same, words, counters, layouts, _silent(connection, plan.name))


def _last_value(connection: sqlite3.Connection, name: str, last: int) -> str | float | None:
    """A channel's last value, so far as it is still among the samples; looked for in its last hour alone."""
    row = connection.execute("SELECT id, unit FROM channel WHERE name = ?", (name,)).fetchone()
    if row is None:
        return None
    channel, unit = row
    (hour,) = connection.execute("SELECT max(t) FROM hour WHERE channel = ?", (channel,)).fetchone()
    # An hour that is not over yet has no row.
    begins = [t for t in (last // HOUR_MS * HOUR_MS, hour) if t is not None]
    for begin in begins:
        found = connection.execute(
            "SELECT value FROM sample WHERE t >= ? AND t < ? AND channel = ? ORDER BY t DESC LIMIT 1",
            (begin, begin + HOUR_MS, channel),
        ).fetchone()
        if found is None:
            continue
        if unit != "text":
            return float(found[0])
        word = connection.execute(
            "SELECT name FROM label WHERE channel = ? AND code = ?", (channel, round(found[0]))
        ).fetchone()
        return str(word[0]) if word else None
    return None


def _layouts(connection: sqlite3.Connection, plan: SourcePlan, last: int) -> frozenset[frozenset[str]]:
    names = json.dumps([channel.channel for channel in plan.channels])
    together: dict[int, set[str]] = {}
    for t, name in connection.execute(
        "SELECT t, name FROM sample JOIN channel ON id = channel WHERE t > ? AND t <= ? "
        "AND name IN (SELECT value FROM json_each(?))",
        (last - _LAYOUT_MS, last, names),
    ):
        together.setdefault(t, set()).add(name)
    return frozenset(frozenset(names) for names in together.values())


def _silent(connection: sqlite3.Connection, source: str) -> frozenset[str]:
    silent: set[str] = set()
    for kind, text in connection.execute(
        "SELECT kind, text FROM event WHERE source = ? AND kind IN (?, ?) ORDER BY id", (source, UNHEARD, HEARD)
    ):
        (silent.add if kind == UNHEARD else silent.discard)(named_in(text))
    return frozenset(silent)
