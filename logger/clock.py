"""Owns time: wall clock and boot-time clock behind one small object that tests and the demo replace."""

from __future__ import annotations

import time
from pathlib import Path
from threading import Condition, Event
from typing import Protocol

EARLIEST_MS = 315_532_800_000
"""1980-01-01: a clock that shows an earlier time was never set."""
LATEST_MS = 2_145_916_800_000
"""2038-01-01: in that month 32-bit seconds run over; a clock that shows it today is mistaken."""

_FLAG = Path("/run/systemd/timesync/synchronized")
_UNSYNCHRONISED = 0x0040
_STATUS_AT, _MAXIMUM_ERROR_AT, _LONG = 40, 24, 8
_FLAG_SIGMA_MS = 1000


def believable(t_ms: int) -> bool:
    """Whether a wall time [ms UTC] can be true at all: from 1980 to the end of 2037."""
    return EARLIEST_MS <= t_ms < LATEST_MS


class Clock(Protocol):
    """What the logger asks of time.

    The boot-time clock runs on in suspend and never steps; the wall clock may do anything.
    """

    def now_ms(self) -> int:
        """Wall time, milliseconds since 1970 UTC."""
        ...

    def boot_ns(self) -> int:
        """Boot-time clock [ns]."""
        ...

    def boot_id(self) -> str:
        """Identity of this boot of the machine."""
        ...

    def synchronised_ms(self) -> int | None:
        """How far off the wall clock may be, where the kernel says that it is synchronised; else None [ms]."""
        ...

    def wait(self, on: Event | Condition, seconds: float) -> bool:
        """Wait on an event or a held condition for at most that much of this clock's time [s]."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def now_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def boot_ns(self) -> int:
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME)

    def boot_id(self) -> str:
        path = Path("/proc/sys/kernel/random/boot_id")
        return path.read_text(encoding="ascii").strip() if path.exists() else "unknown"

    def synchronised_ms(self) -> int | None:
        """The kernel's own word; where it may not be asked, the flag file that systemd-timesyncd leaves.

        adjtimex(2) with no mode set changes nothing. Every program that disciplines the clock clears STA_UNSYNC
        through it; setting the clock by hand sets it again, and so does an error estimate beyond 16 s.
        """
        asked = _adjtimex()
        if asked is not None:
            status, error_us = asked
            return None if status & _UNSYNCHRONISED else error_us // 1000
        return _FLAG_SIGMA_MS if _FLAG.exists() else None

    def wait(self, on: Event | Condition, seconds: float) -> bool:
        return on.wait(seconds)


def _adjtimex() -> tuple[int, int] | None:
    """Status and largest error [µs] from ``struct timex`` of a 64-bit machine; None where the call is not allowed."""
    import ctypes  # noqa: PLC0415 - a logger on a clock of its own does without

    buffer = ctypes.create_string_buffer(512)
    try:
        refused = ctypes.CDLL(None).adjtimex(buffer) == -1
    except (OSError, AttributeError):
        return None
    if refused:
        return None
    raw = buffer.raw
    return (
        int.from_bytes(raw[_STATUS_AT : _STATUS_AT + 4], "little"),
        int.from_bytes(raw[_MAXIMUM_ERROR_AT : _MAXIMUM_ERROR_AT + _LONG], "little", signed=True),
    )
