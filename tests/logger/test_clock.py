"""The machine's clocks: milliseconds and nanoseconds that mean what they say, and a wait that ends."""

from __future__ import annotations

import ctypes
import struct
import threading
import time
from pathlib import Path

import pytest

from logger.clock import EARLIEST_MS, LATEST_MS, SystemClock, _adjtimex, believable


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


def test_the_kernel_s_word_is_read_where_it_stands() -> None:
    """``struct timex`` of linux/timex.h on a 64-bit machine: status lies 32 bytes before the time, which is now."""
    buffer = ctypes.create_string_buffer(512)
    if ctypes.CDLL(None).adjtimex(buffer) == -1:
        pytest.skip("this machine does not let the kernel be asked")
    offset, _, largest_us, _, status, _, _, _, seconds = struct.unpack_from("=qqqqi4xqqqq", buffer.raw, 8)
    assert abs(seconds - time.time()) < 60
    assert abs(offset) <= 500_000_000
    asked = _adjtimex()
    assert asked is not None
    assert asked[0] == status
    assert abs(asked[1] - largest_us) < 1_000_000


@pytest.mark.parametrize(("status", "sigma"), [(0x0040, None), (0x2041, None), (0x0001, 250), (0x2001, 250)])
def test_unsynchronised_is_what_the_kernel_flags_so(
    monkeypatch: pytest.MonkeyPatch, status: int, sigma: int | None
) -> None:
    """STA_UNSYNC is 0x0040 in linux/timex.h; the other bits speak of how it is disciplined."""
    monkeypatch.setattr("logger.clock._adjtimex", lambda: (status, 250_000))
    assert SystemClock().synchronised_ms() == sigma


def test_a_kernel_that_may_not_be_asked_leaves_the_flag_file(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """systemd-timesyncd touches it once it has synchronised (systemd-time-wait-sync.service(8))."""
    monkeypatch.setattr("logger.clock._adjtimex", lambda: None)
    monkeypatch.setattr("logger.clock._FLAG", tmp_path / "synchronized")
    assert SystemClock().synchronised_ms() is None
    (tmp_path / "synchronized").touch()
    assert SystemClock().synchronised_ms() == 1000


def test_years_that_a_clock_may_show() -> None:
    """From 1980, when satellite time began, to 2037, before 32-bit seconds end."""
    assert [believable(t) for t in (0, EARLIEST_MS - 1, EARLIEST_MS, LATEST_MS - 1, LATEST_MS)] == [
        False,
        False,
        True,
        True,
        False,
    ]
    assert time.gmtime(EARLIEST_MS / 1000)[:6] == (1980, 1, 1, 0, 0, 0)
    assert time.gmtime(LATEST_MS / 1000)[:6] == (2038, 1, 1, 0, 0, 0)
