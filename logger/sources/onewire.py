"""Owns asking 1-Wire thermometers through the files that the kernel shows for them."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from pathlib import Path
from threading import Event

from logger.clock import Clock
from logger.errors import LineFault
from logger.plan import SourcePlan

IDLE_S = 0.25
FILES = ("w1_slave", "temperature")
"""The first also shows the bytes and their CRC; a kernel or an adapter may offer the second alone."""
_MOST_BYTES = 512


class SensorLine:
    """The sensors of one source, asked one after the other; a conversion takes up to 0.75 s of the kernel's time.

    Parameters
    ----------
    plan : SourcePlan
        Of kind ``onewire``.
    clock : Clock
        For what is due when, and for waiting.
    note : callable
        Told a sentence when a sensor cannot be read, and when it can again.
    """

    def __init__(self, plan: SourcePlan, clock: Clock, note: Callable[[str], None]) -> None:
        self._folder, self._every_s = Path(plan.folder), plan.every_s
        self._sensors = tuple(dict.fromkeys(str(channel.field) for channel in plan.channels))
        self._clock, self._note, self._never = clock, note, Event()
        self._round: deque[str] = deque()
        self._due_s = self._now_s()
        self._away: set[str] = set()

    def open(self) -> None:
        """See that there are sensors at all.

        Raises
        ------
        LineFault
            The kernel shows none.
        """
        if not self._folder.is_dir():
            raise LineFault(
                f"1-Wire: no folder {self._folder}; the kernel shows it once its modules for the bus, for instance "
                "w1_gpio, and w1_therm are loaded"
            )

    def read(self) -> bytes:
        """What the next sensor says; nothing where none is due, or it cannot be read."""
        now_s = self._now_s()
        if not self._round and now_s >= self._due_s:
            self._round.extend(self._sensors)
            self._due_s = max(self._due_s + self._every_s, now_s)
        if not self._round:
            self._clock.wait(self._never, min(IDLE_S, self._due_s - now_s))
            return b""
        self.open()
        return self._ask(self._round.popleft())

    def _ask(self, sensor: str) -> bytes:
        text = b""
        for name in FILES:
            try:
                with (self._folder / sensor / name).open("rb") as file:
                    text = file.read(_MOST_BYTES)
                break
            except OSError:
                continue  # a sensor that does not answer is an error of its file, each time anew
        self._noted(sensor, bool(text.strip()))
        # An empty line ends the message.
        return b"%s\n%s\n\n" % (sensor.encode(), text.strip()) if text.strip() else b""

    def _noted(self, sensor: str, there: bool) -> None:
        if there and sensor in self._away:
            self._away.discard(sensor)
            self._note(f"sensor {sensor} answers again")
        elif not there and sensor not in self._away:
            self._away.add(sensor)
            self._note(f"sensor {sensor} cannot be read; is it connected?")

    def close(self) -> None:
        self._round.clear()

    def _now_s(self) -> float:
        return self._clock.boot_ns() / 1e9
