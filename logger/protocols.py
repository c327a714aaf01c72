"""Owns the shapes by which the logger's parts know each other: decoder, line, source, batch."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from threading import Event
from typing import Protocol

from logger.readings import Record, Reject
from logger.store import Channels

Stretch = tuple[int, int]
"""``start <= t < stop`` [ms UTC]."""


class Decoder(Protocol):
    """Bytes in, records and rejects out; no clock, no port. Any chunking of a stream gives the same items."""

    def feed(self, data: bytes) -> list[Record | Reject]:
        """What the bytes complete, in order."""
        ...

    def opened(self) -> None:
        """A new opening: forget the half message, distrust the next."""
        ...

    def finish(self) -> list[Record | Reject]:
        """The line is gone: what is left is a reject."""
        ...


class Line(Protocol):
    """Where live bytes come from. Every fault is a `LineFault`."""

    def open(self) -> None: ...

    def read(self) -> bytes:
        """What has arrived; nothing after a quarter of a second of silence."""
        ...

    def close(self) -> None: ...


class Batch(Protocol):
    """What a source hands to the writer in one piece, written whole or not at all.

    Attributes
    ----------
    size : int
        Samples that it holds in memory.
    can_wait : bool
        Whether its source can hold it back while the writer is behind (a file can, a live line cannot).
    """

    @property
    def size(self) -> int: ...

    @property
    def can_wait(self) -> bool: ...

    def write(self, connection: sqlite3.Connection, channels: Channels) -> list[Stretch]:
        """Write it, inside the writer's transaction.

        Returns
        -------
        list of (start, stop)
            Where samples changed; the writer brings the rollups of these stretches up to date and notes their hours
            as stale. A batch that has done both by itself returns nothing.
        """
        ...


Emit = Callable[[Batch], None]


class Source(Protocol):
    """One source at work, in a thread of its own."""

    def run(self, stop: Event, emit: Emit) -> None:
        """Hand over batches until `stop` is set; device faults never end it."""
        ...
