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
