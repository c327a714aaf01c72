"""Owns the shapes by which the logger's parts know each other: decoder, line, source, batch."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from threading import Event
from typing import Protocol

from logger.readings import Item
from logger.store import Channels

Stretch = tuple[int, int]
"""``start <= t < stop`` [ms UTC]."""


class Decoder(Protocol):
    """Bytes in, items out; no clock, no port. Any chunking of a stream gives the same items."""

    def feed(self, data: bytes) -> Sequence[Item]:
        """What the bytes complete, in order."""
        ...

    def opened(self) -> None:
        """A new opening: forget the half message, distrust the next."""
        ...

    def finish(self) -> Sequence[Item]:
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
    """What a source hands to the writer in one piece. Adding a kind of batch is one class with these three.

    Attributes
    ----------
    size : int
        Samples that it holds in memory.
    can_wait : bool
        False for what a live line said: all of those that have come are written in one transaction. True for a block
        of a file: its source is held back while there is no room, and it is written in a transaction of its own.
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
            Where samples changed. Of a live batch the writer brings rollups and stale hours up to date, now and as
            intervals close; a batch that can wait has done so itself for what is closed, the writer does the rest.
        """
        ...


Emit = Callable[[Batch], None]


class Source(Protocol):
    """One source at work, in a thread of its own."""

    def run(self, stop: Event, emit: Emit) -> None:
        """Hand over batches until `stop` is set; device faults never end it."""
        ...

    def let_go(self) -> None:
        """Close what is read from, under a reader that hangs in it. From another thread."""
        ...
