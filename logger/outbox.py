"""Owns what waits to be written: bounded, put by many threads, taken by one, cut into pieces for the store."""

from __future__ import annotations

from collections import deque
from threading import Condition

from logger.batches import LiveBatch
from logger.clock import Clock
from logger.protocols import Batch
from logger.trouble import Lost

MAX_HELD = 100_000
"""Samples kept in memory while the store cannot be written: half an hour of 50 channels each second, in 10 MB."""
FLUSH_AT = MAX_HELD // 4
"""Samples at which a flush comes early: someone brings in a long file."""
MOST_AT_ONCE = 10_000
"""Samples in one transaction: what gathered while the store could not be written must not lock it for long."""


class Outbox:
    """What waits to be written, bounded; put by many threads, taken by one."""

    def __init__(self) -> None:
        self._condition = Condition()
        self._batches: deque[Batch] = deque()
        self._size = 0
        self._closed = False
        self._early = True
        self._lost: Lost | None = None

    def put(self, batch: Batch) -> None:
        """Hand over a batch.

        One that can wait is held back while there is no room. A live one is not: where there is no room the oldest
        readings go, for what happens now matters more to who comes back.
        """
        with self._condition:
            while batch.can_wait and self._size and self._size + batch.size > MAX_HELD and not self._closed:
                self._condition.wait()
            self._batches.append(batch)
            self._size += batch.size
            self._make_room()
            if self._size >= FLUSH_AT and self._early:
                self._condition.notify_all()

    def _make_room(self) -> None:
        """Let the oldest live readings go. A block of a file stays: its file would be read on after it."""
        kept: list[Batch] = []
        while self._size > MAX_HELD and len(self._batches) > 1:
            oldest = self._batches.popleft()
            if oldest.can_wait:
                kept.append(oldest)
                continue
            self._size -= oldest.size
            if isinstance(oldest, LiveBatch) and oldest.moments:
                self._count(oldest)
        self._batches.extendleft(reversed(kept))

    def _count(self, batch: LiveBatch) -> None:
        times = [t for t, _ in batch.moments]
        lost = Lost(sum(len(record.readings) for _, record in batch.moments), min(times), max(times))
        self._lost = self._lost + lost if self._lost else lost

    def take(self) -> list[Batch]:
        """All of it, in order."""
        with self._condition:
            taken = list(self._batches)
            self._batches.clear()
            self._size = 0
            self._condition.notify_all()
        return taken

    def put_back(self, batches: list[Batch]) -> None:
        """What could not be written, ahead of what came meanwhile."""
        with self._condition:
            self._batches.extendleft(reversed(batches))
            self._size += sum(batch.size for batch in batches)
            self._make_room()

    def take_lost(self) -> Lost | None:
        """The readings that had to go since this was last asked."""
        with self._condition:
            lost, self._lost = self._lost, None
        return lost

    def wait(self, clock: Clock, seconds: float, early: bool) -> None:
        """Wait for the next flush: so long, or until it is closed, or if `early` until there is much to write."""
        with self._condition:
            self._early = early
            if not self._closed and not (early and self._size >= FLUSH_AT):
                clock.wait(self._condition, seconds)

    def close(self) -> None:
        """No more waiting, for anyone."""
        with self._condition:
            self._closed = True
            self._condition.notify_all()


def pieces(batches: list[Batch]) -> list[list[Batch]]:
    """The same batches, in order, so many samples at once; always one piece at least."""
    cut: list[list[Batch]] = [[]]
    size = 0
    for batch in batches:
        if cut[-1] and size + batch.size > MOST_AT_ONCE:
            cut.append([])
            size = 0
        cut[-1].append(batch)
        size += batch.size
    return cut
