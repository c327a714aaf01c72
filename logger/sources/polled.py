"""Owns the source that speaks only when asked: a live line that has something to note beside its readings."""

from __future__ import annotations

from collections.abc import Callable
from threading import Event

from logger.batches import EventBatch
from logger.clock import Clock
from logger.collector import LiveSource
from logger.earlier import Earlier
from logger.plan import SourcePlan
from logger.protocols import Decoder, Emit, Line
from logger.timeline import Timeline

KIND = "bus"

MakeLine = Callable[[SourcePlan, Clock, Callable[[str], None]], Line]
"""From plan, clock, and what is told each note, to the line."""


class PolledSource:
    """One such line with its decoder; in all else a live source as any other.

    Parameters
    ----------
    plan : SourcePlan
    make_line : callable
        Makes the line.
    decoder : Decoder
    clock : Clock
    timeline : Timeline
    earlier : Earlier, optional
        What the store knows of it from earlier sessions.
    longitude : float
        Of the site [°].
    """

    def __init__(
        self,
        plan: SourcePlan,
        make_line: MakeLine,
        decoder: Decoder,
        clock: Clock,
        timeline: Timeline,
        earlier: Earlier | None = None,
        longitude: float = 0.0,
    ) -> None:
        self._plan, self._make_line, self._decoder = plan, make_line, decoder
        self._clock, self._timeline, self._earlier, self._longitude = clock, timeline, earlier, longitude
        self._source: LiveSource | None = None

    def run(self, stop: Event, emit: Emit) -> None:
        def note(text: str) -> None:
            emit(EventBatch(self._timeline.now_ms(), self._plan.name, KIND, text))

        line = self._make_line(self._plan, self._clock, note)
        self._source = LiveSource(
            self._plan,
            line,
            self._decoder,
            self._clock,
            self._timeline,
            self._earlier,
            longitude=self._longitude,
        )
        self._source.run(stop, emit)

    def let_go(self) -> None:
        """Close the line under a reader that hangs in it."""
        if self._source is not None:
            self._source.let_go()
