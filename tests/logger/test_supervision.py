"""A reader for each source: begun again where it fails, given up for another one where it hangs."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from threading import Event

import pytest

from logger.batches import EventBatch, LiveBatch
from logger.collector import LiveSource
from logger.decoders.registry import make as decoder_of
from logger.protocols import Batch, Emit, Source
from logger.readings import Item
from logger.sources.registry import NAMES_S, patience_s
from logger.supervision import MOST_HANGS, Abandoned, Readers, Turn
from logger.timeline import Timeline
from logger.watch import ServiceManager, Stage, Watch

from ..aboard.rig import until
from .plans import channel, source
from .times import FakeClock

PLAN = source(channel("V"), format="keyvalue", unheard_after_s=3600)
PATIENCE_S = 20.0


class FakeLine:
    """Says one thing at each opening, then hangs in its driver until let go; what the driver had comes after that."""

    def __init__(self, says: bytes, stop: Event) -> None:
        self._says, self._stop = says, stop
        self.hangs, self.back, self.closed = Event(), Event(), Event()

    def open(self) -> None:
        self._left = [b"\n" + self._says]

    def read(self) -> bytes:
        if self._left:
            return self._left.pop()
        self.hangs.set()
        while not (self.back.wait(0.02) or self._stop.is_set()):
            pass
        return b"V=99\n"

    def close(self) -> None:
        self.closed.set()


class Desk:
    """Readers under a watch that looks when a test says so."""

    def __init__(self) -> None:
        self.batches: list[Batch] = []
        self.stop = Event()
        self.told: list[str] = []
        self.watch = Watch(ServiceManager({}), self.told.append, self.told.append)
        clock = FakeClock()
        self.timeline = Timeline(clock, lambda t, text: None)
        self.readers = Readers(clock, self.timeline.now_ms, self.stop, self.batches.append, self.watch)
        self.clock = clock

    def live(self, lines: Iterator[FakeLine]) -> Callable[[], Source]:
        return lambda: LiveSource(PLAN, next(lines), decoder_of(PLAN), self.clock, self.timeline)

    def finds_it_overdue(self) -> None:
        """The watch looks once, long after the last sign of life."""
        for stage in self.watch._stages:
            stage._due = -math.inf
        self.watch._look()

    @property
    def values(self) -> list[float | str]:
        moments = [moment for batch in self.batches if isinstance(batch, LiveBatch) for moment in batch.moments]
        return [reading.value for _, record in moments for reading in record.readings]

    @property
    def states(self) -> list[str]:
        return [b.text for b in self.batches if isinstance(b, EventBatch) and b.kind == "state"]


@contextmanager
def desk() -> Iterator[Desk]:
    made = Desk()
    try:
        yield made
    finally:
        made.stop.set()
        made.readers.join(PATIENCE_S)


def test_a_reader_that_hangs_in_its_driver_gives_way_to_another() -> None:
    """Its line is closed, an event says so, the next one reads; nothing that the first one says later is booked."""
    with desk() as d:
        first, second = (FakeLine(b"V=%d\n" % n, d.stop) for n in (1, 2))
        d.readers.start("cabin controller", d.live(iter([first, second])))
        assert first.hangs.wait(PATIENCE_S)
        d.finds_it_overdue()
        assert first.closed.wait(PATIENCE_S)
        until(lambda: d.values == [1.0, 2.0], "the second reader's reading")
        threads = threading.active_count()
        first.back.set()
        until(lambda: threading.active_count() < threads, "the end of the first reader")
        assert d.values == [1.0, 2.0]
        assert d.states == [
            "reading: readings come in",
            "failing: its reader hung and was given up; another one takes its place",
            "reading: readings come in",
        ]
        assert d.told == []


def test_a_decoder_that_goes_round_for_ever_is_interrupted() -> None:
    """It would cost a core for ever."""
    began = Event()

    class FakeDecoder:
        def feed(self, data: bytes) -> list[Item]:
            began.set()
            while True:
                pass

        def opened(self) -> None: ...

        def finish(self) -> list[Item]:
            return []

    with desk() as d:
        lines = iter([FakeLine(b"V=1\n", d.stop), FakeLine(b"V=2\n", d.stop)])
        decoders = iter([FakeDecoder(), decoder_of(PLAN)])
        d.readers.start("cabin controller", lambda: LiveSource(PLAN, next(lines), next(decoders), d.clock, d.timeline))
        assert began.wait(PATIENCE_S)
        (reader,) = d.readers._at_work
        going_round = reader._thread
        d.finds_it_overdue()
        going_round.join(PATIENCE_S)
        assert not going_round.is_alive()
        until(lambda: d.values == [2.0], "the second reader's reading")


def test_readers_that_hang_again_and_again_are_a_matter_for_the_service_manager() -> None:
    """So many in an hour; then it counts as stuck, which ends the pings, and no further thread is left hanging."""
    with desk() as d:
        lines = [FakeLine(b"V=%d\n" % n, d.stop) for n in range(MOST_HANGS + 1)]
        d.readers.start("cabin controller", d.live(iter(lines)))
        for line in lines:
            assert line.hangs.wait(PATIENCE_S)
            assert d.told == []
            d.finds_it_overdue()
        assert d.told == ["cabin controller"]
        assert d.values == [float(n) for n in range(MOST_HANGS + 1)]
        d.finds_it_overdue()
        assert d.told == ["cabin controller"]
        for line in lines:
            line.back.set()


def test_a_source_that_fails_unforeseen_begins_again(caplog: pytest.LogCaptureFixture) -> None:
    """A fault in our own code in one source neither ends it for good nor touches another."""
    runs = []

    class FakeSource:
        def run(self, stop: Event, emit: object) -> None:
            runs.append(1)
            if len(runs) == 3:
                d.stop.set()
                return
            raise RuntimeError("unforeseen")

        def let_go(self) -> None: ...

    with desk() as d:
        d.readers.start("cabin controller", FakeSource)
        d.readers.join(PATIENCE_S)
    assert len(runs) == 3
    assert sum("begins again" in record.message for record in caplog.records) == 2


def turn(stop: Event, stage: Stage, emit: Emit = lambda batch: None) -> Turn:
    return Turn(stop, stage, emit)


def test_looking_at_the_stop_and_waiting_on_it_are_signs_of_life() -> None:
    """So no source needs to be told of the watch."""
    stage, stop = Stage("cabin controller", 3600.0), Event()
    seen = turn(stop, stage)
    stage._due = 0.0
    assert not seen.is_set()
    assert not stage.overdue
    stage._due = 0.0
    assert not seen.wait(0.001)
    assert not stage.overdue
    stop.set()
    assert seen.is_set()
    assert seen.wait(3600)


def test_who_is_held_back_for_want_of_room_is_not_stuck() -> None:
    """The store fails for hours: that is told elsewhere."""
    stage = Stage("history", 0.0)
    seen: list[bool] = []
    turn(Event(), stage, lambda batch: seen.append(stage.overdue)).emit(EventBatch(0, None, "gap", ""))
    assert seen == [False]


def test_whose_turn_is_over_gives_no_sign_of_life_and_hands_nothing_on() -> None:
    """Or the next reader's hanging would not be seen, and its readings not be told from old ones."""
    stage = Stage("cabin controller", 3600.0)
    handed: list[Batch] = []
    ended = turn(Event(), stage, handed.append)
    ended.end()
    stage._due = 0.0
    assert ended.is_set()
    with pytest.raises(Abandoned):
        ended.emit(EventBatch(0, None, "gap", ""))
    assert handed == []
    assert stage.overdue


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        ({}, 0.0),
        ({"port": "socket://barge.lan:4000"}, NAMES_S),
        ({"kind": "mqtt", "broker": "barge.lan"}, NAMES_S),
        ({"kind": "modbus", "timeout_s": 5.0}, 20.0),
        ({"kind": "modbus", "host": "barge.lan", "timeout_s": 1.0}, NAMES_S + 4.0),
    ],
)
def test_who_looks_up_names_or_waits_for_answers_may_take_longer(more: dict[str, object], expected: float) -> None:
    """An instrument that is off is never a reason to give its reader up."""
    assert patience_s(source(channel(1), **more)) == expected
