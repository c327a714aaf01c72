"""Owns taking rows out of the record into a file that others, and we ourselves, can read: CSV or Parquet."""

from __future__ import annotations

import csv
import os
import sqlite3
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal, TextIO

import numpy as np

from logger import parquet_files, reading, sealed
from logger.about import about
from logger.errors import StoreError, UsageError
from logger.exported import BETWEEN_MARKS, MARKS, TIME, Column, Means, under_spans
from logger.rollup import DAY_MS, MINUTE_MS
from logger.rows import Floats, Ints, Rows, joined
from logger.store import HOUR_MS
from logger.words import time_in_words

Resolution = Literal["samples", "minute", "hour", "day"]
Progress = Callable[[float], None]

# Hours and days are read so many at a time [ms], which bounds the memory.
_MONTH_MS = 32 * DAY_MS
_LENGTHS = {"minute": MINUTE_MS, "hour": HOUR_MS, "day": DAY_MS}
_SUMS = (("mean", 0), ("low", 1), ("high", 2), ("n", 3))

Channels = dict[int, tuple[str, str]]
"""The store's number of a channel to its name and unit."""


def export(
    connection: sqlite3.Connection,
    path: Path | TextIO,
    start: int,
    stop: int,
    channels: Collection[str] | None = None,
    resolution: Resolution = "samples",
    progress: Progress = lambda part: None,
) -> int:
    """Write a stretch of the record to a file.

    Parameters
    ----------
    connection : sqlite3.Connection
        May be read-only.
    path : Path or text stream
        Ends in ``.csv`` or ``.parquet``; a stream gets CSV.
    start, stop : int
        ``start <= t < stop``, UTC [ms].
    channels : collection of str, optional
        Names; None means all.
    resolution : str
        ``samples``, or the closed intervals ``minute``, ``hour`` or ``day``.
    progress : callable
        Called with the share that is done.

    Returns
    -------
    int
        Rows written.

    Raises
    ------
    UsageError
        The file's name says neither CSV nor Parquet, or the record holds no such channel.
    StoreError
        The file cannot be written, or a sealed one cannot be read.
    """
    chosen = _chosen(connection, channels)
    bounds = sealed.ends(connection, "sample") or (0, -1)
    if resolution != "samples":
        # A row of the day before the first sample may begin within the span.
        bounds = (bounds[0] - DAY_MS, bounds[1])
    start, stop = max(start, bounds[0]), min(stop, bounds[1] + 1)
    parts = _reported(_parts(connection, start, stop, set(chosen), resolution), start, stop, progress)
    if not isinstance(path, Path):
        return _csv(connection, path, start, stop, chosen, resolution, parts)
    if path.suffix == ".csv":
        with _text(path) as file:
            return _csv(connection, file, start, stop, chosen, resolution, parts)
    if path.suffix != ".parquet":
        raise UsageError(f"{path}: say what it is to be by its end: .csv or .parquet")
    known = about(connection, start, stop)
    names = {number: name for number, (name, _) in chosen.items()}
    meta = {
        **known,
        "units": {name: unit for name, unit in known["units"].items() if name in names.values()},
        "spans": [row for row in known["spans"] if row[0] in names.values()],
        "marks": [[t, names[c], why] for t, c, why in _marks(connection, start, stop, set(chosen))],
    }
    if resolution != "samples":
        meta["resolution"] = resolution
    return parquet_files.write_parts(path, "sample" if resolution == "samples" else "minute", parts, names, meta)


def _chosen(connection: sqlite3.Connection, channels: Collection[str] | None) -> Channels:
    known = {
        n: (name, unit) for n, name, unit in connection.execute("SELECT id, name, unit FROM channel ORDER BY name")
    }
    if channels is None:
        return known
    names = {name for name, _ in known.values()}
    missing = sorted(set(channels) - names)
    if missing:
        raise UsageError(f"the record holds no channel {', '.join(missing)}; it holds {', '.join(sorted(names))}")
    return {number: row for number, row in known.items() if row[0] in channels}


def _parts(
    connection: sqlite3.Connection, start: int, stop: int, numbers: set[int], resolution: Resolution
) -> Iterator[Rows]:
    if resolution in ("samples", "minute"):
        yield from reading.day_by_day(
            connection, "sample" if resolution == "samples" else "minute", start, stop, numbers
        )
        return
    within = ", ".join(map(str, sorted(numbers)))
    for begin in range(start, stop, _MONTH_MS):
        flat = np.array(
            connection.execute(
                f"SELECT t, channel, mean, low, high, n FROM {resolution} "
                f"WHERE channel IN ({within}) AND t >= ? AND t < ?",
                (begin, min(begin + _MONTH_MS, stop)),
            ).fetchall(),
            dtype=float,
        ).reshape(-1, 6)
        if len(flat):
            yield joined([Rows(flat[:, 0].astype(np.int64), flat[:, 1].astype(np.int64), flat[:, 2:].T)])


def _reported(parts: Iterator[Rows], start: int, stop: int, progress: Progress) -> Iterator[Rows]:
    for rows in parts:
        yield rows
        progress((int(rows.t[-1]) - start) / max(1, stop - start))


def _marks(connection: sqlite3.Connection, start: int, stop: int, numbers: set[int]) -> list[tuple[int, int, str]]:
    rows = connection.execute("SELECT t, channel, reason FROM mark WHERE t >= ? AND t < ?", (start, stop))
    return [row for row in rows if row[1] in numbers]


@contextmanager
def _text(path: Path) -> Iterator[TextIO]:
    """A file that stands whole or not at all."""
    part = path.with_name(path.name + parquet_files.PART)
    try:
        with part.open("w", encoding="utf-8", newline="") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as fault:
        raise StoreError(f"{path}: cannot be written ({fault.strerror or fault}); is there room?") from None
    finally:
        part.unlink(missing_ok=True)


# -- CSV ---------------------------------------------------------------------------------------------------------


def _csv(
    connection: sqlite3.Connection,
    file: TextIO,
    start: int,
    stop: int,
    chosen: Channels,
    resolution: Resolution,
    parts: Iterator[Rows],
) -> int:
    """RFC 4180: comma, CRLF, quotes where they are needed; times ISO 8601 in UTC, units in the header."""
    writer = csv.writer(file, lineterminator="\r\n")
    words = {(c, code): word for c, code, word in connection.execute("SELECT channel, code, name FROM label")}
    if resolution == "samples":
        table: _Samples | _Sums = _Samples(connection, start, stop, chosen, words)
    else:
        table = _Sums(connection, chosen, words, _LENGTHS[resolution])
    writer.writerow([TIME, *table.headers])
    count = 0
    for rows in parts:
        times = np.unique(rows.t)
        stamps = np.char.add(np.datetime_as_string(times.astype("datetime64[ms]")), "Z").tolist()
        writer.writerows(zip(stamps, *table.columns(rows, times), strict=True))
        count += len(times)
    return count


class _Sums:
    """Columns of minutes, hours or days: mean, lowest, highest, number of samples.

    Of words the one most seen, the number of samples, and how long each was held.
    """

    def __init__(
        self, connection: sqlite3.Connection, chosen: Channels, words: dict[tuple[int, float], str], length: int
    ) -> None:
        self._connection, self._length = connection, length
        self._chosen, self._words = chosen, words
        self._words_of = {number: [word for (c, _), word in words.items() if c == number] for number in chosen}

    @property
    def headers(self) -> list[str]:
        found = []
        for number, (name, unit) in self._chosen.items():
            if unit == "text":
                found += [f"{name} most seen [text]", f"{name} n [count]"]
                found += [f"{name} {word} [s]" for word in self._words_of[number]]
            else:
                found += [f"{name} {what} [{'count' if what == 'n' else unit}]" for what, _ in _SUMS]
        return found

    def columns(self, rows: Rows, times: Ints) -> list[list[str]]:
        found = []
        for number, (name, unit) in self._chosen.items():
            own = rows.where(rows.channel == number)
            at = np.searchsorted(times, own.t)
            held = self._held(name, own.t) if unit == "text" else []
            for what, place in _SUMS:
                if what == "n":
                    cells = [str(int(n)) for n in own.values[place].tolist()]
                elif unit != "text":
                    cells = [repr(value) for value in own.values[place].tolist()]
                elif what == "mean":
                    cells = [self._words[number, code] for code in own.values[place].tolist()]
                else:
                    continue
                found.append(_laid(cells, at, len(times)))
            for word in self._words_of[number]:
                found.append(_laid([f"{each.get(word, 0) / 1000:g}" for each in held], at, len(times)))
        return found

    def _held(self, name: str, starts: Ints) -> list[dict[str, int]]:
        """How long each word was held in the intervals that begin there, read a day at a time."""
        found: list[dict[str, int]] = []
        for day in np.unique(starts // DAY_MS).tolist():
            own = starts[starts // DAY_MS == day].tolist()
            found += time_in_words(self._connection, name, own, self._length)
        return found


class _Samples:
    """Columns of samples: one for each channel and kind of means, and one for its marks where there are any."""

    def __init__(
        self,
        connection: sqlite3.Connection,
        start: int,
        stop: int,
        chosen: Channels,
        words: dict[tuple[int, float], str],
    ) -> None:
        self._chosen, self._words = chosen, words
        self._spans: list[Sequence[Any]] = about(connection, start, stop)["spans"]
        self._marks: dict[int, dict[int, str]] = {}
        for t, number, reason in _marks(connection, start, stop, set(chosen)):
            own = self._marks.setdefault(number, {})
            own[t] = f"{own[t]}{BETWEEN_MARKS}{reason}" if t in own else reason
        self._columns = self._used(connection, start, stop)

    def _used(self, connection: sqlite3.Connection, start: int, stop: int) -> list[Column]:
        """The columns that will hold something: channels under spans are looked through once for that."""
        spanned = {number for number, (name, _) in self._chosen.items() if any(row[0] == name for row in self._spans)}
        used: dict[int, dict[Means | None, None]] = {number: {} for number in self._chosen}
        used |= {number: {None: None} for number in self._chosen if number not in spanned}
        for rows in reading.day_by_day(connection, "sample", start, stop, spanned) if spanned else ():
            for number in spanned:
                times = rows.t[rows.channel == number].tolist()
                used[number].update(
                    {means: None for means, _ in under_spans(self._chosen[number][0], times, self._spans)}
                )
        return [Column(*self._chosen[number], means) for number, kinds in used.items() for means in kinds]

    @property
    def headers(self) -> list[str]:
        return [
            *(column.header for column in self._columns),
            *(f"{self._chosen[number][0]} [{MARKS}]" for number in self._marks),
        ]

    def columns(self, rows: Rows, times: Ints) -> list[list[str]]:
        found: dict[Column, list[str]] = {}
        for number, (name, unit) in self._chosen.items():
            own = rows.where(rows.channel == number)
            moments = own.t.tolist()
            cells = self._cells(number, unit, own.values[0])
            for means, chosen in under_spans(name, moments, self._spans):
                kept = np.flatnonzero(chosen)
                at = np.searchsorted(times, own.t[kept])
                found[Column(name, unit, means)] = _laid([cells[row] for row in kept], at, len(times))
        empty = [""] * len(times)
        return [
            *(found.get(column, empty) for column in self._columns),
            *([marks.get(t, "") for t in times.tolist()] for marks in self._marks.values()),
        ]

    def _cells(self, number: int, unit: str, values: Floats) -> list[str]:
        if unit == "text":
            return [self._words[number, code] for code in values.tolist()]
        return [repr(value) for value in values.tolist()]


def _laid(cells: list[str], at: Ints, length: int) -> list[str]:
    """Cells at their rows, the others empty."""
    found = [""] * length
    for place, cell in zip(at.tolist(), cells, strict=True):
        found[place] = cell
    return found
