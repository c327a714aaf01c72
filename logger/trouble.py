"""Owns what is said of trouble with the store: its kinds, since when, what was lost. Standard library only."""

from __future__ import annotations

import os
import sqlite3
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from logger.batches import EventBatch

FULL_DISK = "full disk"
STORE_TROUBLE = "store trouble"
RESTORED = "store restored"
LOST = "lost readings"
DAMAGED = "damaged file"
SALVAGED = "salvage"
"""Kinds of event. The first two are stamped at their beginning and end with the next `RESTORED`."""

NOT_NOW = 75
"""Exit status of the child that prepares a store, where that cannot be written now: EX_TEMPFAIL of sysexits.h."""

UNSEALED = "archive trouble"
SEALED_AGAIN = "archive restored"
"""Kinds of event: old days could not be moved into the archive, and could again."""

_NO_ROOM_BYTES = 64 * 1024


@dataclass(frozen=True, slots=True)
class Lost:
    """Readings that had to go because memory is bounded.

    Attributes
    ----------
    count : int
    first, last : int
        Times [ms UTC].
    """

    count: int
    first: int
    last: int

    def __add__(self, other: Lost) -> Lost:
        return Lost(self.count + other.count, min(self.first, other.first), max(self.last, other.last))

    def event(self) -> EventBatch:
        text = f"{self.count} readings from {_clock(self.first)} to {_clock(self.last)} had to go: memory was full"
        return EventBatch(self.first, None, LOST, text)


@dataclass(frozen=True, slots=True)
class Trouble:
    """The store cannot be written.

    Attributes
    ----------
    since : int
        From when on [ms UTC].
    kind : str
        `FULL_DISK` or `STORE_TROUBLE`.
    why : str
        In the words of whoever refused.
    """

    since: int
    kind: str
    why: str

    @classmethod
    def of(cls, fault: Exception, store: Path, now: int) -> Trouble:
        return cls(now, FULL_DISK if _is_full(fault, store) else STORE_TROUBLE, str(fault))

    def events(self, now: int) -> list[EventBatch]:
        """Its beginning and its end, for the record."""
        lasted = f"{(now - self.since) / 1000:.0f} s"
        return [
            EventBatch(self.since, None, self.kind, f"could not be written ({self.why}); readings were kept in memory"),
            EventBatch(now, None, RESTORED, f"written again after {lasted}"),
        ]


def is_damage(fault: BaseException) -> bool:
    """Whether SQLite says that the file itself is not as it left it."""
    return _code(fault) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def can_pass(fault: BaseException) -> bool:
    """Whether SQLite refuses a store for what may be otherwise tomorrow: no room, no right, no access, a lock."""
    passing = (
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_READONLY,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_LOCKED,
        sqlite3.SQLITE_PERM,
    )
    return _code(fault) in passing


def _is_full(fault: BaseException, store: Path) -> bool:
    if _code(fault) == sqlite3.SQLITE_FULL:
        return True
    # Where not even the index of the log finds room SQLite says no more than "disk I/O error".
    try:
        about = os.statvfs(store.parent)
    except OSError:
        return False
    return about.f_bavail * about.f_frsize < _NO_ROOM_BYTES


def _code(fault: BaseException | None) -> int | None:
    """SQLite's primary code of a fault, or of the one that it stands for."""
    while fault is not None:
        if isinstance(fault, sqlite3.Error):
            return getattr(fault, "sqlite_errorcode", 0) & 0xFF
        fault = fault.__context__
    return None


def _clock(t: int) -> str:
    return datetime.fromtimestamp(t / 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
