"""Owns the times of live readings: the wall clock's, in the boot clock's order."""

from __future__ import annotations

from collections.abc import Callable
from threading import Lock

from logger.clock import Clock

STEP_MS = 500


class Timeline:
    """Time for one session.

    The wall clock is asked once; from then on the boot-time clock counts, so that spacing is always true. When the
    wall clock steps forward the line follows. When it steps back the line goes on as before, for times that were
    given once would else come again, among readings that are already kept; the next session starts with the new clock.

    Parameters
    ----------
    clock : Clock
        Both its clocks must run at one rate.
    on_step : callable
        Told the time [ms UTC] and a sentence, once for each step.
    """

    def __init__(self, clock: Clock, on_step: Callable[[int, str], None]) -> None:
        self._clock = clock
        self._on_step = on_step
        self._lock = Lock()
        self._offset = self._seen = self._difference()[0]

    def _difference(self) -> tuple[int, int]:
        """Wall less boot time, and how long the asking took: a thread may be held up between the two [ms]."""
        before = self._clock.boot_ns() // 1_000_000
        wall = self._clock.now_ms()
        after = self._clock.boot_ns() // 1_000_000
        return wall - after, after - before

    def now_ms(self) -> int:
        """Now [ms UTC], never less than before."""
        with self._lock:
            seen, doubt = self._difference()
            step = seen - self._seen
            stepped = abs(step) >= STEP_MS + doubt
            if stepped:
                self._seen = seen
                self._offset = max(self._offset, seen)
            now = self._clock.boot_ns() // 1_000_000 + self._offset
        if stepped:
            self._on_step(now, _sentence(step))
        return now


def _sentence(step: int) -> str:
    if step > 0:
        return f"the clock went forward {step / 1000:.1f} s"
    return f"the clock went back {-step / 1000:.1f} s; this session keeps the time it had"
