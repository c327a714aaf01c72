"""Owns what speaks for the time: who said which UTC at which moment of a boot, and whose word counts for more."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from threading import Lock

from logger.clock import Clock, believable

UNKNOWN = "unknown"
"""A session of which nobody vouches for the clock."""
PERSON, GNSS, KERNEL = "person", "gnss", "kernel"
_RANKS = {PERSON: 1, GNSS: 2, KERNEL: 3}
PERSON_SIGMA_MS = 30_000
GNSS_SIGMA_MS = 1_000
TOLERANCE_MS = 500
"""Two statements that differ by less, beyond what each allows itself, agree."""
AGREEING = 3
"""Statements of a receiver that must agree one after the other: its first ones after power-up may be old."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """One statement of UTC.

    Attributes
    ----------
    boot_id : str
        The boot in which it was made.
    boot_ns : int
        Boot-time clock at that moment [ns].
    utc_ms : int
        What was stated [ms UTC].
    kind : str
        ``kernel``, ``gnss`` or ``person``.
    sigma_ms : int
        How far off it may be [ms].
    """

    boot_id: str
    boot_ns: int
    utc_ms: int
    kind: str
    sigma_ms: int

    @property
    def offset_ms(self) -> int:
        """UTC less boot-time clock [ms]."""
        return self.utc_ms - self.boot_ns // 1_000_000

    def outranks(self, other: Evidence | str) -> bool:
        """Whether its kind counts for more; a person may correct what a person said before."""
        kind = other if isinstance(other, str) else other.kind
        return _RANKS[self.kind] > _RANKS.get(kind, 0) or self.kind == kind == PERSON

    def agrees(self, offset_ms: int, sigma_ms: int = 0) -> bool:
        """Whether another offset [ms] with that doubt [ms] is within what both allow themselves."""
        return abs(self.offset_ms - offset_ms) <= max(self.sigma_ms, sigma_ms, TOLERANCE_MS)


def of_kernel(clock: Clock) -> Evidence | None:
    """What the kernel says now, if it says that it is synchronised and its time can be true."""
    sigma_ms = clock.synchronised_ms()
    if sigma_ms is None:
        return None
    boot_ns, wall_ms = clock.boot_ns(), clock.now_ms()
    return Evidence(clock.boot_id(), boot_ns, wall_ms, KERNEL, sigma_ms) if believable(wall_ms) else None


def keep(connection: sqlite3.Connection, evidence: Evidence) -> None:
    """Keep a statement, inside the caller's transaction."""
    connection.execute(
        "INSERT INTO clock_evidence (boot_id, boot_ns, utc_ms, kind, sigma_ms) VALUES (?, ?, ?, ?, ?)",
        (evidence.boot_id, evidence.boot_ns, evidence.utc_ms, evidence.kind, evidence.sigma_ms),
    )


def kept(connection: sqlite3.Connection, boot_id: str) -> list[Evidence]:
    """All statements of one boot, in the order in which they were made."""
    return [
        Evidence(*row)
        for row in connection.execute(
            "SELECT boot_id, boot_ns, utc_ms, kind, sigma_ms FROM clock_evidence WHERE boot_id = ? ORDER BY id",
            (boot_id,),
        )
    ]


def best(statements: list[Evidence]) -> Evidence | None:
    """The one that counts: the first of the highest rank, of persons the last."""
    found: Evidence | None = None
    for statement in statements:
        if found is None or statement.outranks(found):
            found = statement
    return found


class Witness:
    """What receivers say of the time, until enough of it agrees. Called from the threads that listen."""

    def __init__(self, boot_id: str) -> None:
        self._boot_id = boot_id
        self._lock = Lock()
        self._last: Evidence | None = None
        self._agreeing = 0

    def says(self, utc_ms: int, boot_ns: int, kind: str, sigma_ms: int) -> None:
        """Take one statement; one that cannot be true, or of no known kind, is not taken."""
        if not believable(utc_ms) or kind not in _RANKS:
            return
        said = Evidence(self._boot_id, boot_ns, utc_ms, kind, sigma_ms)
        with self._lock:
            agrees = self._last is not None and said.kind == self._last.kind and said.agrees(self._last.offset_ms)
            self._agreeing = self._agreeing + 1 if agrees else 1
            self._last = said

    def believed(self) -> Evidence | None:
        """The last statement, once so many agree."""
        with self._lock:
            return self._last if self._agreeing >= AGREEING else None
