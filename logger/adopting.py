"""Owns taking up sealed files that the store does not know: after it was damaged, deleted or begun anew.

The files of the archive are half of the record, and each says itself what it holds. A fresh store beside them would
show none of it, and would one day write over them. So before anything is sealed or judged, files that bear the store's
name and are not in `sealed` are noted there, with the channels, words, spans, marks and settings of their metadata.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
import time
from collections.abc import Iterable
from itertools import accumulate
from pathlib import Path
from typing import Any

import numpy as np

from logger import parquet_files, sealed
from logger.about import about
from logger.errors import StoreError
from logger.reopening import channel_numbers
from logger.rows import Rows
from logger.sealed import Kind
from logger.store import Channels, WritingConnection, keep_past_settings, transaction

ADOPTED = "archive adopted"
"""Kind of event: files of the archive that the store did not know were taken up, or set aside."""


def adopt(connection: WritingConnection) -> list[int]:
    """Note files of the archive that the store does not know. Hold `sealed.at_work` meanwhile.

    One that does not read is set aside under another name, so that nothing is written over it.

    Parameters
    ----------
    connection : WritingConnection
        Outside a transaction.

    Returns
    -------
    list of int
        Beginnings of the days [ms UTC] of which the store has no rollups.

    Raises
    ------
    StoreError
        A file cannot be written anew, or be set aside.
    """
    unknown = sealed.unknown_files(connection)
    if not unknown:
        return []
    taken, aside = [], []
    for path in unknown:
        try:
            taken.append(_adopt(connection, path))
        except (StoreError, KeyError, TypeError, ValueError):
            aside.append(_set_aside(path))
    known = {t for (t,) in connection.execute("SELECT DISTINCT t FROM day")}
    texts = [f"{len(taken)} files that the store did not know were taken up"] if taken else []
    texts += [f"{path.name}: does not read and was set aside" for path in aside]
    with transaction(connection):
        connection.executemany(
            "INSERT INTO event (t, kind, text) VALUES (?, ?, ?)",
            [(time.time_ns() // 1_000_000, ADOPTED, text) for text in texts],
        )
    return sorted(start for kind, start in taken if kind == "sample" and start not in known)


def _adopt(connection: WritingConnection, path: Path) -> tuple[Kind, int]:
    meta = parquet_files.meta(path)
    kind, start, stop = meta["kind"], int(meta["start"]), int(meta["stop"])
    count, first, last = parquet_files.bounds(path)
    if kind not in ("sample", "minute") or not start <= first <= last < stop:
        raise ValueError(f"{path}: its rows do not lie where it says")
    with transaction(connection):
        codes = _names(connection, meta)
        _spans(connection, meta["spans"])
        _marks(connection, meta.get("marks", {}))
        keep_past_settings(connection, meta["settings"])
    if any(old != new for by_code in codes.values() for old, new in by_code.items()):
        _recode(connection, path, kind, meta, codes)
    with transaction(connection):
        connection.execute(
            "INSERT INTO sealed (kind, start, stop, file, n, first, last) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (kind, start, stop, path.name, count, first, last),
        )
    return kind, start


def _names(connection: WritingConnection, meta: dict[str, Any]) -> dict[int, dict[int, int]]:
    """Make its channels and words known; of each text channel its code of a word to the store's."""
    channels = Channels(connection)
    numbers = {name: channels.id(name, unit) for name, unit in meta["units"].items()}
    return {
        numbers[name]: {int(code): channels.code(numbers[name], word) for code, word in words.items()}
        for name, words in meta["words"].items()
    }


def _spans(connection: sqlite3.Connection, rows: Iterable[list[Any]]) -> None:
    connection.executemany(
        "INSERT INTO span (channel, start, stop, interval_ms, label, source) "
        "VALUES ((SELECT id FROM channel WHERE name = ?), ?, ?, ?, ?, ?) "
        "ON CONFLICT (channel, start, source) DO UPDATE SET stop = max(stop, excluded.stop)",
        rows,
    )


def _marks(connection: sqlite3.Connection, by_channel: dict[str, dict[str, list[int]]]) -> None:
    connection.executemany(
        "INSERT OR IGNORE INTO mark (t, channel, reason) VALUES (?, (SELECT id FROM channel WHERE name = ?), ?)",
        (
            (t, name, reason)
            for name, by_reason in by_channel.items()
            for reason, steps in by_reason.items()
            for t in accumulate(steps)
        ),
    )


def _recode(
    connection: sqlite3.Connection, path: Path, kind: Kind, meta: dict[str, Any], codes: dict[int, dict[int, int]]
) -> None:
    """Write a file anew with the store's codes of the words: a fresh store has met them in another order."""
    numbers = channel_numbers(connection)
    rows = parquet_files.read(path, kind, numbers, meta["start"], meta["stop"])
    values = rows.values.copy()
    for channel, by_code in codes.items():
        own = rows.channel == channel
        # Of a minute the number of its samples is no word.
        for column in values[: 1 if kind == "sample" else 3]:
            old = column[own]
            column[own] = np.array([by_code[int(code)] for code in old], dtype=float)
    names = {number: name for name, number in numbers.items()}
    words = about(connection, meta["start"], meta["stop"])["words"]
    parquet_files.write(path, kind, Rows(rows.t, rows.channel, values), names, {**meta, "words": words})


def _set_aside(path: Path) -> Path:
    moment = dt.datetime.fromtimestamp(time.time(), dt.UTC)
    aside = path.with_name(f"{path.name}.damaged-{moment:%Y%m%dT%H%M%SZ}")
    try:
        return path.rename(aside)
    except OSError as fault:
        raise StoreError(f"{path}: does not read, and cannot be set aside ({fault.strerror})") from None
