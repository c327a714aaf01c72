"""Owns a clock that a test moves by hand."""

from __future__ import annotations

from threading import Condition, Event


class FakeClock:
    """Stands still until moved; a wait moves it by the whole wait and never blocks.

    Parameters
    ----------
    now_ms : int
        Wall time at the start [ms UTC].
    """

    def __init__(self, now_ms: int = 1_780_000_000_000) -> None:
        self.wall_ms = now_ms
        self.boot_ms = 5_000
        self.synchronised: int | None = 0
        self.waits: list[float] = []

    def now_ms(self) -> int:
        return self.wall_ms

    def boot_ns(self) -> int:
        return self.boot_ms * 1_000_000

    def boot_id(self) -> str:
        return "00000000-0000-0000-0000-000000000000"

    def synchronised_ms(self) -> int | None:
        return self.synchronised

    def wait(self, on: Event | Condition, seconds: float) -> bool:
        self.waits.append(seconds)
        self.move(seconds)
        return isinstance(on, Event) and on.is_set()

    def move(self, seconds: float) -> None:
        """Time passes."""
        self.wall_ms += round(seconds * 1000)
        self.boot_ms += round(seconds * 1000)

    def step(self, seconds: float) -> None:
        """Someone sets the wall clock."""
        self.wall_ms += round(seconds * 1000)
