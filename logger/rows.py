"""Owns rows of samples or minutes as arrays: read from the store, compared, joined."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from itertools import chain

import numpy as np
import numpy.typing as npt

from logger.sealed import Kind

COLUMNS: dict[Kind, tuple[str, ...]] = {"sample": ("value",), "minute": ("mean", "low", "high", "n")}

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

# Keys as one number: times stay below 2^43 ms until the year 2248, and no vessel has a million channels.
_CHANNELS = 1 << 20


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of one table in the order of its key, time before channel.

    Attributes
    ----------
    t : ndarray of int, shape (n,)
        UTC [ms].
    channel : ndarray of int, shape (n,)
        The store's numbers of the channels.
    values : ndarray of float, shape (columns, n)
        The other columns, in the order of `COLUMNS`.
    """

    t: Ints
    channel: Ints
    values: Floats

    def __len__(self) -> int:
        return len(self.t)

    @property
    def key(self) -> Ints:
        """Time and channel in one number."""
        return self.t * _CHANNELS + self.channel

    def where(self, chosen: npt.NDArray[np.bool_] | npt.NDArray[np.intp] | slice) -> Rows:
        return Rows(self.t[chosen], self.channel[chosen], self.values[:, chosen])

    def between(self, start: int, stop: int) -> Rows:
        """Those with ``start <= t < stop``."""
        a, b = np.searchsorted(self.t, [start, stop])
        return self.where(slice(int(a), int(b)))

    def same(self, other: Rows) -> bool:
        """Whether both hold the same rows, to the last bit."""
        return (
            len(self) == len(other)
            and bool(np.array_equal(self.t, other.t))
            and bool(np.array_equal(self.channel, other.channel))
            and bool((_bits(self.values) == _bits(other.values)).all())
        )

    def found_in(self, other: Rows) -> Flags:
        """For each row whether the other holds it, with the same values to the last bit."""
        return self._compared(other, same_values=True)

    def keyed_in(self, other: Rows) -> Flags:
        """For each row whether the other holds one of the same time and channel, whatever its values."""
        return self._compared(other, same_values=False)

    def _compared(self, other: Rows, same_values: bool) -> Flags:
        if not len(other):
            return np.zeros(len(self), dtype=bool)
        mine, theirs = self.key, other.key
        at = np.minimum(np.searchsorted(theirs, mine), len(other) - 1)
        found: Flags = theirs[at] == mine
        if same_values:
            found &= (_bits(self.values) == _bits(other.values[:, at])).all(axis=0)
        return found

    def over(self, other: Rows) -> Rows:
        """Both together; where both have a row of the same time and channel, this one's counts."""
        if not len(other):
            return self
        if not len(self):
            return other
        return joined([self, other.where(~other.keyed_in(self))])


def _bits(values: Floats) -> Ints:
    return np.ascontiguousarray(values).view(np.int64)


def empty(kind: Kind) -> Rows:
    return Rows(np.empty(0, np.int64), np.empty(0, np.int64), np.empty((len(COLUMNS[kind]), 0)))


def joined(parts: Collection[Rows]) -> Rows:
    """Rows of different keys, in the order of the key."""
    t = np.concatenate([part.t for part in parts])
    channel = np.concatenate([part.channel for part in parts])
    values = np.concatenate([part.values for part in parts], axis=1)
    whole = Rows(t, channel, values)
    key = whole.key
    return whole if (key[1:] > key[:-1]).all() else whole.where(np.argsort(key, kind="stable"))


def filled(kind: Kind, parts: Iterable[Rows], count: int) -> Rows:
    """At most so many rows, whose parts come in the order of the key: without a second copy of them all."""
    t, channel = np.empty(count, np.int64), np.empty(count, np.int64)
    values = np.empty((len(COLUMNS[kind]), count))
    at = 0
    for part in parts:
        fits = slice(at, at + len(part))
        t[fits], channel[fits], values[:, fits] = part.t, part.channel, part.values
        at += len(part)
    return Rows(t[:at], channel[:at], values[:, :at])


def from_store(
    connection: sqlite3.Connection, kind: Kind, start: int, stop: int, channels: Collection[int] | None = None
) -> Rows:
    """Rows of the store's own table with ``start <= t < stop``, of some channels or of all."""
    columns = COLUMNS[kind]
    chosen = "" if channels is None else f"AND channel IN ({', '.join(str(int(c)) for c in sorted(channels))}) "
    cursor = connection.execute(
        f"SELECT t, channel, {', '.join(columns)} FROM {kind} WHERE t >= ? AND t < ? {chosen}ORDER BY t, channel",
        (start, stop),
    )
    flat = np.fromiter(chain.from_iterable(cursor), dtype=float).reshape(-1, 2 + len(columns))
    return Rows(
        flat[:, 0].astype(np.int64), flat[:, 1].astype(np.int64), np.ascontiguousarray(flat[:, 2:].T)
    )  # times are whole numbers far below 2^53
