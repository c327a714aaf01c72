"""Owns what is done to a machine's clock: wrong by minutes and years, both ways, in mid-session or from its start.

Stored wrong is also what does not stand once, in its order and near the moment at which it truly went out.
"""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from itertools import pairwise

from .injected import VOLTS, Row, line, lost, say, ship, stop, stored, there, wrong
from .rig import Aboard, Device, heard_from_the_start, until
from .stepping import Hand, set_logger

MINUTES, YEARS, EVER = 5 * 60.0, 3 * 365 * 86_400.0, 0.0
# Nine messages in ten milliseconds are read in one or two pieces: their times are known to the length of a flush.
NEAR_MS = 1500


def off_by(seconds: float) -> float:
    """How far off a clock is that was set by so much; one that was never set shows 1970."""
    return seconds if seconds != EVER else -time.time()


def clock_steps(times: int, seconds: float, what: str) -> Row:
    """A clock that was vouched for jumps, and jumps back, again and again; the readings go on all the while."""
    with ship() as (aboard, made):
        hand, told = Hand(aboard.folder / "clock"), _Told(made)
        hand.sets(0.0, True)
        with set_logger(aboard, hand) as process:
            heard_from_the_start(made)
            for _ in range(times):
                for off_s in (0.0, off_by(seconds)):
                    hand.sets(off_s, True)
                    told.some()
                    until(lambda: there(aboard, told.last), "reading")
            stop(process)
        return told.row(aboard, f"clock {what}, and back", times)


def clock_set_right(times: int, seconds: float, what: str) -> Row:
    """A machine wakes with a clock that is off and that nobody vouches for; later it is set right."""
    rows = []
    for _ in range(times):
        with ship() as (aboard, made):
            hand, told = Hand(aboard.folder / "clock"), _Told(made)
            hand.sets(off_by(seconds), False)
            with set_logger(aboard, hand) as process:
                heard_from_the_start(made)
                told.some()
                until(lambda aboard=aboard, told=told: there(aboard, told.last), "reading")
                hand.sets(0.0, True)
                told.some()
                until(lambda aboard=aboard, told=told: told.misplaced(aboard) == 0, "moving to the true time")
                told.some()
                stop(process)
            rows.append(told.row(aboard, f"clock {what} from the start, then set right", times))
    return replace(rows[0], **{name: sum(getattr(row, name) for row in rows) for name in ("said", "lost", "wrong")})


class _Told:
    """Messages that went out, and when that truly was."""

    def __init__(self, made: Device) -> None:
        self._made = made
        self._at_ms: list[float] = []

    @property
    def last(self) -> int:
        return len(self._at_ms) - 1

    def some(self) -> None:
        for _ in range(9):
            self._at_ms.append(time.time() * 1000)
            say(self._made, line(self.last) + b"\n")
            threading.Event().wait(0.01)

    def misplaced(self, aboard: Aboard) -> int:
        """Messages that do not stand once, in their order, within `NEAR_MS` of their time."""
        found = aboard.ask("SELECT t, value FROM sample JOIN channel ON id = channel WHERE name = ? ORDER BY t", VOLTS)
        numbers = [round((volts - 10) * 1000) for _, volts in found]
        off = sum(abs(t - self._at_ms[n]) > NEAR_MS for (t, _), n in zip(found, numbers, strict=True))
        return off + sum(after <= before for before, after in pairwise(numbers))

    def row(self, aboard: Aboard, what: str, times: int) -> Row:
        rows, whole = stored(aboard), set(range(len(self._at_ms)))
        spoilt = self.misplaced(aboard) + wrong(rows, range(len(whole)))
        return Row(what, times, len(whole), lost(rows, whole), spoilt, strict=True)


CLOCKS = (
    (MINUTES, "five minutes ahead"),
    (-MINUTES, "five minutes behind"),
    (YEARS, "three years ahead"),
    (-YEARS, "three years behind"),
    (EVER, "never set (1970)"),
)
