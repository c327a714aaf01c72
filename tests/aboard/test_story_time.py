"""The logger on another clock than the machine's: sixty times as fast, in June."""

from __future__ import annotations

import threading
import time
from pathlib import Path
from threading import Condition, Event

import pytest

from logger import settings_file
from logger.__main__ import Recorder
from logger.schema import prepare

from .rig import Aboard, device, heard_from_the_start, source, until

pytestmark = pytest.mark.terminal

RATE = 60
NOON = 1_781_265_600_000


class FastClock:
    """Starts at noon on a day in June; a minute of it is a second."""

    def __init__(self) -> None:
        self._began = time.monotonic_ns()

    def now_ms(self) -> int:
        return NOON + (time.monotonic_ns() - self._began) * RATE // 1_000_000

    def boot_ns(self) -> int:
        return (time.monotonic_ns() - self._began) * RATE

    def boot_id(self) -> str:
        return "story"

    def synchronised_ms(self) -> int | None:
        return 0

    def wait(self, on: Event | Condition, seconds: float) -> bool:
        return on.wait(seconds / RATE)


def test_every_time_and_every_wait_is_the_clock_s(tmp_path: Path) -> None:
    """Readings, session, flush interval, rolled-up minutes, silence: all in the story's time."""
    with device(tmp_path / "cabin-controller") as made:
        aboard = Aboard(tmp_path, source(made, unheard=40), flush=30)
        prepare(aboard.store)
        recorder = Recorder(settings_file.plan(settings_file.read(aboard.settings)), FastClock())
        status: list[int] = []
        thread = threading.Thread(target=lambda: status.append(recorder.run()))
        thread.start()
        try:
            heard_from_the_start(made)
            for n in range(10):
                made.says(b"V=%d,I=1\n" % n)
            until(lambda: len(aboard.values()) == 10, "a flush after 30 s of the story")
            until(lambda: aboard.state() == "unheard", "silence of 40 s of the story")
            until(lambda: aboard.ask("SELECT n FROM minute") != [], "a minute's row")
        finally:
            recorder.stop()
            thread.join()
    assert status == [0]
    times = [t for (t,) in aboard.ask("SELECT DISTINCT t FROM sample ORDER BY t")]
    assert len(times) == 10
    assert times[0] > NOON
    assert times[-1] < NOON + 3_600_000
    assert aboard.ask("SELECT boot_id, stopped_cleanly, started - ? < 60000 FROM session", NOON) == [("story", 1, 1)]
