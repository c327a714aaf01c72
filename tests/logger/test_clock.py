"""The machine's clocks: milliseconds and nanoseconds that mean what they say, and a wait that ends."""

from __future__ import annotations

import threading
import time

from logger.clock import SystemClock


def test_wall_time_is_milliseconds_since_1970() -> None:
    """Between two readings of the machine's own clock."""
    before = time.time()
    now = SystemClock().now_ms()
    assert before * 1000 - 1 <= now <= time.time() * 1000


def test_boot_time_runs_on_and_never_back() -> None:
    """CLOCK_BOOTTIME of clock_gettime(2): it counts suspend, so it is never behind the monotonic clock."""
    clock = SystemClock()
    readings = [clock.boot_ns() for _ in range(100)]
    assert readings == sorted(readings)
    assert clock.boot_ns() >= time.clock_gettime_ns(time.CLOCK_MONOTONIC) - 1_000_000


def test_one_boot_has_one_name() -> None:
    """The kernel's random boot id, a UUID as proc(5) describes it."""
    assert SystemClock().boot_id() == SystemClock().boot_id()
    assert len(SystemClock().boot_id()) in (36, len("unknown"))


def test_a_wait_ends_when_the_event_comes() -> None:
    """An event that is set ends the wait at once; one that is not set ends it after the time."""
    clock = SystemClock()
    event = threading.Event()
    assert not clock.wait(event, 0.001)
    event.set()
    assert clock.wait(event, 3600)
