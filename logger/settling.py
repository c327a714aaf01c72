"""Owns the clock of each session: its row, who vouches for it, and that its readings come to their true time."""

from __future__ import annotations

import json
import logging
import sqlite3
import time

from logger import redating
from logger.clock import EARLIEST_MS, Clock, believable
from logger.evidence import UNKNOWN, Evidence, best, keep, kept, of_kernel
from logger.plan import Plan
from logger.protocols import Stretch
from logger.store import HOUR_MS, Channels, WritingConnection, touch_hours, transaction
from logger.timeline import Timeline

log = logging.getLogger("noonmark.logger")

_FIRST_PIECE = 2_000
_PIECE_S = 0.2
PAUSE_S = 0.1
"""Between two pieces, so that other writers come in."""


def live_channels(plan: Plan) -> dict[str, list[str]]:
    """The live sources of a plan with their channels: those whose times come from the session's own line."""
    return {source.name: [c.channel for c in source.channels] for source in plan.sources if source.kind != "csv"}


def beginning(connection: sqlite3.Connection, clock: Clock, plan: Plan) -> tuple[int, bool]:
    """Where a new session's line lies, UTC less boot-time clock [ms], and whether somebody vouches for it.

    At the time for which somebody vouches. Else where an earlier session of this boot lay, for both move together
    later; else at the wall clock; but never among what is kept already, and never at a time that cannot be true.
    """
    boot_ms = clock.boot_ns() // 1_000_000
    waiting = bool(redating.jobs(connection))
    vouched = of_kernel(clock) or best(kept(connection, clock.boot_id()))
    if vouched and not waiting:
        return vouched.offset_ms, True
    last = _last_kept(connection, plan)
    before = connection.execute(
        "SELECT started - monotonic_ns / 1000000 FROM session WHERE boot_id = ? ORDER BY id DESC LIMIT 1",
        (clock.boot_id(),),
    ).fetchone()
    for now in ((boot_ms + before[0]) if before else 0, clock.now_ms()):
        if believable(now) and (last is None or now > last):
            return now - boot_ms, False
    return (EARLIEST_MS + boot_ms if last is None else last + 1000) - boot_ms, False


def _last_kept(connection: sqlite3.Connection, plan: Plan) -> int | None:
    """The last time that live readings reached [ms UTC]."""
    names = json.dumps(list(live_channels(plan)))
    found = connection.execute(
        "SELECT max(t) FROM (SELECT max(stopped) AS t FROM session UNION ALL SELECT max(high) FROM redating "
        "UNION ALL SELECT max(last_seen) FROM source WHERE name IN (SELECT value FROM json_each(?)))",
        (names,),
    ).fetchone()[0]
    return None if found is None else int(found)


def unsettled(connection: sqlite3.Connection) -> list[Stretch]:
    """Stretches of the record in which the clock is not known to have been right, or readings wait to be moved."""
    rows = connection.execute(
        "SELECT started, coalesce(stopped, started) + 1 FROM session WHERE clock = ? "
        "UNION ALL SELECT low, high FROM redating",
        (UNKNOWN,),
    ).fetchall()
    return [(start, stop) for start, stop in rows]


class Mover:
    """Moves what waits to be moved, a piece at a time, each in a transaction of its own."""

    def __init__(self) -> None:
        self._most = _FIRST_PIECE

    def piece(
        self, connection: sqlite3.Connection, channels: Channels, job: redating.Job, now: int, stop: int | None = None
    ) -> Stretch | None:
        """One piece, as `redating.advance` has it; the next one is as long as the lock may be held."""
        began = time.monotonic()
        with transaction(connection):
            began = time.monotonic()
            arrived = redating.advance(connection, channels, job, self._most, now, stop)
            taken = time.monotonic() - began
        self._most = max(200, int(self._most * min(2.0, _PIECE_S / max(taken, 1e-6))))
        return arrived

    def all(self, connection: WritingConnection, now: int) -> None:
        """Everything; for a store into which no logger records."""
        while waiting := redating.jobs(connection):
            self.piece(connection, Channels(connection), waiting[0], now)


class Settling:
    """The clock of the session that records.

    Parameters
    ----------
    plan : Plan
        Whose sources it has.
    clock : Clock
        Its kernel may vouch for the time.
    timeline : Timeline
        The session's line; receivers may have stated the time to it.
    """

    def __init__(self, plan: Plan, clock: Clock, timeline: Timeline) -> None:
        self._live, self._clock, self._timeline = live_channels(plan), clock, timeline
        self._mover = Mover()
        self._kept_ns = clock.boot_ns()
        self._trust: Evidence | None = None
        self._said_unknown = False
        self.busy = False
        """Whether readings wait to be moved, so that there is work before the next flush."""

    def kept(self) -> None:
        """All that came until now is safe: a session that begins later begins here at the earliest."""
        self._kept_ns = self._clock.boot_ns()

    def begin(self, connection: sqlite3.Connection) -> tuple[int, int]:
        """Write the row of a new session, inside the caller's transaction; its number and its start [ms UTC].

        It holds what waited in memory for a store that can be written.
        """
        boot_ns = self._kept_ns
        here = self._timeline.offset_ms + self._timeline.shift_ms
        started = boot_ns // 1_000_000 + here
        found = self._found(connection)
        vouched = found if found and found.agrees(here) and not redating.jobs(connection) else None
        (session,) = connection.execute(
            "INSERT INTO session (boot_id, started, monotonic_ns, clock, live) VALUES (?, ?, ?, ?, ?) RETURNING id",
            (self._clock.boot_id(), started, boot_ns, vouched.kind if vouched else UNKNOWN, json.dumps(self._live)),
        ).fetchone()
        self._timeline.known = vouched is not None
        self._trust = None
        if vouched and not self._others_wait(connection):
            self._trust = vouched
            if vouched not in kept(connection, vouched.boot_id):
                keep(connection, vouched)
        return int(session), started

    def reach(self, connection: sqlite3.Connection, session: int, now: int) -> None:
        """Note how far the session has come, inside the transaction that keeps its readings."""
        connection.execute("UPDATE session SET stopped = ? WHERE id = ?", (now, session))

    def work(
        self, connection: sqlite3.Connection, channels: Channels, session: int
    ) -> tuple[Stretch | None, list[str]]:
        """Look at what speaks for the time, or move one piece.

        Returns
        -------
        tuple of (start, stop) or None, and list of str
            Where samples arrived [ms UTC]; what is to be told as events.
        """
        told: list[str] = []
        arrived = None
        waiting = redating.jobs(connection)
        if waiting:
            arrived = self._move(connection, channels, waiting[0], session)
        else:
            found = self._found(connection)
            if found is None:
                told = self._tell_unknown()
            elif self._is_news(found):
                arrived, told = self._adopt(connection, channels, found, session)
        self.busy = bool(redating.jobs(connection))
        return arrived, told

    # -- who vouches -----------------------------------------------------------------------------------------

    def _found(self, connection: sqlite3.Connection) -> Evidence | None:
        heard = self._timeline.witness.believed()
        stated = kept(connection, self._clock.boot_id()) + ([heard] if heard else [])
        return of_kernel(self._clock) or best(stated)

    def _others_wait(self, connection: sqlite3.Connection) -> bool:
        """Whether there are earlier sessions of this boot for which nobody vouched."""
        query = "SELECT 1 FROM session WHERE boot_id = ? AND clock = ?"
        return connection.execute(query, (self._clock.boot_id(), UNKNOWN)).fetchone() is not None

    def _is_news(self, found: Evidence) -> bool:
        if self._trust is None:
            return True
        here = self._timeline.offset_ms + self._timeline.shift_ms
        return found.outranks(self._trust) and not found.agrees(here, self._trust.sigma_ms)

    def _tell_unknown(self) -> list[str]:
        if self._said_unknown or self._trust is not None:
            return []
        self._said_unknown = True
        return [
            "nobody vouches for this machine's clock yet: readings are kept and flagged, and move to their true time "
            "when it is known; 'noonmark clock 14:32Z' tells it"
        ]

    def _adopt(
        self, connection: sqlite3.Connection, channels: Channels, found: Evidence, session: int
    ) -> tuple[Stretch | None, list[str]]:
        """All sessions of this boot are of one clock: what vouches for one vouches for all."""
        arrived, shift = None, 0
        with transaction(connection):
            moving = adopt(connection, found)
            own = next((job for job in moving if job.session == session), None)
            if own and own.shift_ms > 0:
                # With the first piece in the same transaction nothing new lands below what is still to be moved.
                shift = own.shift_ms
                now = self._timeline.utc_ms() + shift
                arrived = redating.advance(connection, channels, own, _FIRST_PIECE, now)
        self._trust = found
        self._timeline.shift_ms += shift
        self._timeline.known = own is None or shift > 0
        if own is None:
            return arrived, ["somebody vouches for the clock now"] if self._said_unknown else []
        return arrived, [f"the {found.kind} vouches for the time: readings move by {own.shift_ms / 1000:+.1f} s"]

    def _move(
        self, connection: sqlite3.Connection, channels: Channels, job: redating.Job, session: int
    ) -> Stretch | None:
        now = self._timeline.utc_ms()
        if job.session != session or job.shift_ms > 0:
            return self._mover.piece(connection, channels, job, now)
        arrived = self._mover.piece(connection, channels, job, now + job.shift_ms, stop=now + 1)
        if not redating.under_way(connection, session):
            self._timeline.shift_ms += job.shift_ms
            self._timeline.known = True
        return arrived


def adopt(connection: sqlite3.Connection, found: Evidence) -> list[redating.Job]:
    """Let evidence stand for every session of its boot of which nobody with more authority spoke.

    Inside the caller's transaction. Those whose clock agrees are vouched for; the others are to be moved.
    """
    if found not in kept(connection, found.boot_id):
        keep(connection, found)
    moving = []
    for session, offset, started, stopped, clock in connection.execute(
        "SELECT id, started - monotonic_ns / 1000000, started, coalesce(stopped, started), clock FROM session "
        "WHERE boot_id = ? ORDER BY id DESC",
        (found.boot_id,),
    ).fetchall():
        if clock != UNKNOWN and not found.outranks(clock):
            continue
        if found.agrees(offset):
            connection.execute("UPDATE session SET clock = ? WHERE id = ?", (found.kind, session))
            touch_hours(connection, range(started // HOUR_MS * HOUR_MS, stopped + 1, HOUR_MS))
        else:
            moving.append(redating.begin(connection, session, found.offset_ms - offset, found.kind))
    return moving
