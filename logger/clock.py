"""Owns time: wall clock and boot-time clock behind one small object that tests and the demo replace."""

from __future__ import annotations

import time
from pathlib import Path
from threading import Condition, Event
from typing import Protocol


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

    def wait(self, on: Event | Condition, seconds: float) -> bool:
        return on.wait(seconds)
