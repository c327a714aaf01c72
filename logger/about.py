"""Owns what a file of rows says about itself: units, words, spans, settings; it is read without a store."""

from __future__ import annotations

import sqlite3
from typing import Any


def about(connection: sqlite3.Connection, start: int, stop: int) -> dict[str, Any]:
    """Units, words, spans and settings that stand behind a stretch of the record, for the metadata of a file."""
    words: dict[str, dict[str, str]] = {}
    for name, code, word in connection.execute(
        "SELECT channel.name, code, label.name FROM label JOIN channel ON channel.id = label.channel"
    ):
        words.setdefault(name, {})[str(code)] = word
    spans = connection.execute(
        "SELECT name, start, stop, interval_ms, label, source FROM span JOIN channel ON id = channel "
        "WHERE start < ? AND stop > ? ORDER BY name, start",
        (stop, start),
    )
    in_force = connection.execute(
        "SELECT start, stop, hash, text FROM settings WHERE start < ? AND (stop IS NULL OR stop > ?) ORDER BY start",
        (stop, start),
    )
    return {
        "start": start,
        "stop": stop,
        "units": dict(connection.execute("SELECT name, unit FROM channel ORDER BY name")),
        "words": words,
        "spans": [list(row) for row in spans],
        "settings": [list(row) for row in in_force],
    }


def marks(connection: sqlite3.Connection, start: int, stop: int) -> dict[str, dict[str, list[int]]]:
    """Marked samples of a stretch: channel to reason to the first time, and the step from each to the next [ms].

    Steps are short numbers: a sensor that was out of range all day would fill a file with times.
    """
    found: dict[str, dict[str, list[int]]] = {}
    last: dict[tuple[str, str], int] = {}
    for t, name, reason in connection.execute(
        "SELECT t, name, reason FROM mark JOIN channel ON id = channel WHERE t >= ? AND t < ? ORDER BY t", (start, stop)
    ):
        found.setdefault(name, {}).setdefault(reason, []).append(t - last.get((name, reason), 0))
        last[name, reason] = t
    return found
