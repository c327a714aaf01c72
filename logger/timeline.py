"""Owns the times of live readings: the boot clock's spacing on a line that begins where the wall clock was."""

from __future__ import annotations

from collections.abc import Callable
from threading import Lock

from logger.clock import Clock
from logger.evidence import GNSS, GNSS_SIGMA_MS, Witness

STEP_MS = 500


class Timeline:
    """Time for one session.

    The boot-time clock counts from beginning to end, so that spacing is always true and no time comes twice, whatever
    is done to the wall clock: a step is told and changes nothing. Where the line lies in UTC may become known later;
    then the whole line moves, in the store (`shift_ms`), and not here: what waits to be written moves along.

    Parameters
    ----------
    clock : Clock
        Both its clocks must run at one rate.
    on_step : callable
        Told the time [ms of this line] and a sentence, once for each step of the wall clock.
    offset_ms : int, optional
        This line less the boot-time clock; absent: where the wall clock is now [ms].
    known : bool, optional
        Whether somebody vouches for that; absent: whether the kernel does.
    """

    def __init__(
        self,
        clock: Clock,
        on_step: Callable[[int, str], None],
        offset_ms: int | None = None,
        known: bool | None = None,
    ) -> None:
        self._clock = clock
        self._on_step = on_step
        self._lock = Lock()
        self._seen = self._difference()[0]
        self._offset = self._seen if offset_ms is None else offset_ms
        self._witness = Witness(clock.boot_id())
        self.shift_ms = 0
        """What is added to this line's times on their way into the store [ms]; set by the writer alone."""
        self.known = clock.synchronised_ms() is not None if known is None else known
        """Whether somebody vouches for the times of this line; set by the writer alone."""

    @property
    def offset_ms(self) -> int:
        """This line less the boot-time clock [ms]."""
        return self._offset

    def _difference(self) -> tuple[int, int]:
        """Wall less boot time, and how long the asking took: a thread may be held up between the two [ms]."""
        before = self._clock.boot_ns() // 1_000_000
        wall = self._clock.now_ms()
        after = self._clock.boot_ns() // 1_000_000
        return wall - after, after - before

    def now_ms(self) -> int:
        """Now on this line [ms], never less than before."""
        with self._lock:
            seen, doubt = self._difference()
            step = seen - self._seen
            stepped = abs(step) >= STEP_MS + doubt
            if stepped:
                self._seen = seen
            now = self._clock.boot_ns() // 1_000_000 + self._offset
        if stepped:
            way = "forward" if step > 0 else "back"
            self._on_step(now, f"the clock went {way} {abs(step) / 1000:.1f} s; readings keep their true spacing")
        return now

    def utc_ms(self) -> int:
        """Now as the store has it [ms UTC]."""
        return self.now_ms() + self.shift_ms

    def of_store(self, t: int) -> int:
        """A time of the store [ms UTC] on this line [ms]."""
        return t - self.shift_ms

    def evidence(self, utc_ms: int, boot_ns: int, kind: str = GNSS, sigma_ms: int = GNSS_SIGMA_MS) -> None:
        """A message stated the time.

        Parameters
        ----------
        utc_ms : int
            What it stated [ms UTC].
        boot_ns : int
            Boot-time clock when it was heard [ns].
        kind : str
            Who speaks.
        sigma_ms : int
            How far off it may be [ms].
        """
        self._witness.says(utc_ms, boot_ns, kind, sigma_ms)

    @property
    def witness(self) -> Witness:
        """What was stated so far."""
        return self._witness
