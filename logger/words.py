"""Owns how long a text channel held each of its words: the time in each state, where a mean would say nothing."""

from __future__ import annotations

import sqlite3
from bisect import bisect_right
from collections.abc import Sequence

from logger import reading
from logger.rollup import MINUTE_MS


def time_in_words(
    connection: sqlite3.Connection, channel: str, starts: Sequence[int], length: int, most_ms: int = MINUTE_MS
) -> list[dict[str, int]]:
    """How long a text channel held each word in each of some intervals.

    A word holds from its reading to the next one, at most so long: what a silent device did meanwhile is not known. A
    word that covers an interval, where `span` says so, holds for that interval.

    Parameters
    ----------
    connection : sqlite3.Connection
        May be read-only.
    channel : str
        A text channel.
    starts : sequence of int
        Where the intervals begin, UTC [ms], ascending; they do not overlap. The samples from the first to the last
        are in memory together.
    length : int
        Of each interval [ms].
    most_ms : int
        Longest time for which one reading counts [ms].

    Returns
    -------
    list of dict of str to int
        For each interval word to milliseconds; their sum is the time that is known.
    """
    found: list[dict[str, int]] = [{} for _ in starts]
    known = connection.execute("SELECT id FROM channel WHERE name = ? AND unit = 'text'", (channel,)).fetchone()
    if known is None or not starts:
        return found
    start, stop = starts[0], starts[-1] + length
    spans = connection.execute(
        "SELECT start, stop, interval_ms FROM span WHERE channel = ? AND start < ? AND stop > ? "
        "AND interval_ms IS NOT NULL",
        (known[0], stop, start),
    ).fetchall()
    words = dict(connection.execute("SELECT code, name FROM label WHERE channel = ?", known))
    longest = max([most_ms, *(row[2] for row in spans)])
    rows = reading.rows(connection, "sample", start - longest, stop, {known[0]})
    times = rows.t.tolist()
    for t, following, code in zip(times, [*times[1:], stop], rows.values[0].tolist(), strict=True):
        most = min((each for a, b, each in spans if a <= t < b), default=most_ms)
        end = min(t + most, following)
        at = max(bisect_right(starts, t) - 1, 0)
        while at < len(starts) and starts[at] < end:
            held = min(end, starts[at] + length) - max(t, starts[at])
            if held > 0:
                word = words[int(code)]
                found[at][word] = found[at].get(word, 0) + held
            at += 1
    return found
