"""Owns the line that a capture stands in for: ``port = "replay:FILE?pace=60"`` says again what was said then."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from threading import Event

from logger.capture import OPENED, Piece, pieces
from logger.clock import Clock
from logger.errors import CaptureFault, LineFault
from logger.plan import SourcePlan

SCHEME = "replay:"
PATIENCE_S = 0.25


class ReplayedLine:
    """The stream of one source in a capture, at its own pace or faster.

    Parameters
    ----------
    plan : SourcePlan
        Its name names the stream; its port is ``replay:FILE``, with ``?pace=N`` N times as fast as it was, with
        ``?pace=0`` as fast as it is taken.
    clock : Clock
        For every wait.
    """

    def __init__(self, plan: SourcePlan, clock: Clock) -> None:
        where, _, pace = (plan.port or "").removeprefix(SCHEME).partition("?pace=")
        self._path, self._source, self._clock = Path(where), plan.name, clock
        self._pace_text = pace or "1"
        self._pieces: Iterator[Piece] | None = None
        self._next: Piece | None = None
        self._then = self._begun = 0

    def open(self) -> None:
        """Go on where it was left.

        Raises
        ------
        LineFault
            The capture is at its end, or cannot be read.
        """
        try:
            if self._pieces is None:
                self._pace = float(self._pace_text)
                self._pieces = pieces(self._path, self._source)
                self._advance()
            while self._next and self._next.what == OPENED:
                self._advance()
        except CaptureFault as fault:
            raise LineFault(str(fault)) from None
        except ValueError:
            raise LineFault(
                f"capture {self._path}: pace={self._pace_text} is no number; for instance ?pace=60"
            ) from None
        if self._next is None:
            raise LineFault(f"capture {self._path}: at its end")
        self._then, self._begun = self._next.t, self._clock.boot_ns() // 1_000_000

    def read(self) -> bytes:
        """What has come due; nothing after a quarter of a second of silence.

        Raises
        ------
        LineFault
            The line was lost then, or this is the end.
        """
        piece = self._next
        if piece is None or piece.data == b"":
            self._advance()
            raise LineFault(f"capture {self._path}: the line was lost here")
        if self._pace > 0:
            passed_ms = self._clock.boot_ns() // 1_000_000 - self._begun
            left_s = ((piece.t - self._then) / self._pace - passed_ms) / 1000
            if left_s > 0:
                self._clock.wait(Event(), min(left_s, PATIENCE_S))
            if left_s > PATIENCE_S:
                return b""
        self._advance()
        return piece.data

    def _advance(self) -> None:
        self._next = next(self._pieces, None) if self._pieces else None

    def close(self) -> None:
        """Nothing to give back: the place in the capture is kept."""
