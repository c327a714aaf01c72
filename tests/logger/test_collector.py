"""How a source listens: its states, its gaps, its retries."""

from __future__ import annotations

import itertools
import logging
from collections import deque
from pathlib import Path
from threading import Event

import pytest

from logger.batches import EventBatch, LiveBatch
from logger.collector import LiveSource
from logger.decoders.registry import make
from logger.earlier import Earlier
from logger.errors import LineFault, LineInUse, LineRefused
from logger.plan import SourcePlan
from logger.protocols import Batch
from logger.readings import TimeEvidence
from logger.sources.registry import Setting, owner
from logger.timeline import Timeline

from .plans import channel, source
from .times import FakeClock

VOLTS = "bank.house.voltage"
PLAN = source(channel("V"), format="keyvalue", unheard_after_s=20)
AWAY = LineFault("not there")


class FakeLine:
    """Plays a script: how each opening goes, and what each read brings after how many seconds."""

    def __init__(self, clock: FakeClock, stop: Event, *script: LineFault | list[tuple[float, bytes]]) -> None:
        self._clock, self._stop = clock, stop
        self._script = deque(script)
        self._reads: deque[tuple[float, bytes]] = deque()
        self.openings: list[int] = []

    def open(self) -> None:
        self.openings.append(self._clock.now_ms())
        if not self._script:
            self._stop.set()
            return
        part = self._script.popleft()
        if isinstance(part, LineFault):
            raise part
        self._reads = deque(part)

    def read(self) -> bytes:
        if self._stop.is_set():
            return b""
        if not self._reads:
            raise LineFault("lost")
        seconds, data = self._reads.popleft()
        self._clock.move(seconds)
        return data

    def close(self) -> None:
        self._reads.clear()


class Heard:
    """What a source emitted, played to the end of its script."""

    def __init__(
        self,
        *script: LineFault | list[tuple[float, bytes]],
        last_heard: int | None = None,
        clock: FakeClock | None = None,
        plan: SourcePlan = PLAN,
        earlier: Earlier | None = None,
    ) -> None:
        self.clock = clock or FakeClock()
        self.begun = self.clock.now_ms()
        self.batches: list[Batch] = []
        stop = Event()
        self.line = FakeLine(self.clock, stop, *script)
        timeline = Timeline(self.clock, lambda t, text: None)
        LiveSource(plan, self.line, make(plan), self.clock, timeline, earlier or Earlier(last_heard)).run(
            stop, self.batches.append
        )

    def events(self, kind: str) -> list[str]:
        return [batch.text for batch in self.batches if isinstance(batch, EventBatch) and batch.kind == kind]

    @property
    def moments(self) -> list[tuple[int, float | str]]:
        return [
            (t, record.readings[0].value)
            for batch in self.batches
            if isinstance(batch, LiveBatch)
            for t, record in batch.moments
        ]

    @property
    def rejects(self) -> list[str]:
        return [reason for b in self.batches if isinstance(b, LiveBatch) for _, _, reason in b.rejects]


def each_second(count: int, first: int = 0) -> list[tuple[float, bytes]]:
    return [(1.0, b"V=%d\n" % (first + n)) for n in range(count)]


def test_a_line_that_vanishes_leaves_one_gap(caplog: pytest.LogCaptureFixture) -> None:
    """Sixty lines, 45 s away, then back: one gap of its true length, no value in it, one log line a change."""
    caplog.set_level(logging.INFO)
    heard = Heard(each_second(60), *[AWAY] * 11, each_second(10))
    (gap,) = heard.events("gap")
    assert 40 <= float(gap.split()[0]) <= 50
    assert [event.partition(":")[0] for event in heard.events("state")] == ["reading", "waiting", "reading", "waiting"]
    assert len(caplog.records) == 4
    times = [t for t, _ in heard.moments]
    # The first line after each opening is distrusted.
    assert len(times) == 59 + 9
    assert max(b - a for a, b in itertools.pairwise(times)) == pytest.approx(float(gap.split()[0]) * 1000)


@pytest.mark.parametrize(("fault", "limit"), [(AWAY, 5.0), (LineInUse("held"), 10.0), (LineRefused("no"), 5.0)])
def test_retries_are_quiet_and_never_too_far_apart(fault: LineFault, limit: float) -> None:
    """Five seconds while a line is away, ten while another program holds it; one event, not one an attempt."""
    heard = Heard(*[fault] * 40)
    waits = [(b - a) / 1000 for a, b in zip(heard.line.openings, heard.line.openings[1:], strict=False)]
    assert waits == sorted(waits)
    assert waits[-1] == limit
    assert heard.events("state") == [f"waiting: {fault}"]


def test_a_changed_obstacle_is_told() -> None:
    """First it is not there, then we may not open it: two things to do, two messages."""
    heard = Heard(AWAY, AWAY, LineRefused("join dialout"), LineRefused("join dialout"))
    assert heard.events("state") == ["waiting: not there", "waiting: join dialout"]


def test_a_line_that_opens_but_is_lost_at_once_is_not_hammered() -> None:
    """Opening is no success; the first byte is."""
    heard = Heard(*[[]] * 20)
    waits = [(b - a) / 1000 for a, b in zip(heard.line.openings, heard.line.openings[1:], strict=False)]
    assert waits[-1] == 5.0


def test_silence_is_told_once_and_ends_with_a_gap() -> None:
    """An open line that says nothing becomes unheard, and reading again with its next line."""
    heard = Heard([*each_second(5), *[(0.25, b"")] * 400, *each_second(2)])
    states = [event.partition(":")[0] for event in heard.events("state")]
    assert states == ["reading", "unheard", "reading", "waiting"]
    assert heard.events("gap") == ["101.0 s without a reading"]


def test_a_short_silence_is_no_gap() -> None:
    """A device that speaks every 15 s is not unheard when 20 s are allowed."""
    assert Heard([(15.0, b"V=1\n")] * 6).events("gap") == []


def test_what_does_not_fit_the_settings_fails_plainly() -> None:
    """Two adapters were swapped: nothing is stored, and the reason is said."""
    heard = Heard([(1.0, b'{"volts": 13.1}\n')] * 30)
    assert heard.moments == []
    assert heard.events("state")[0] == "failing: what it sends does not fit the settings (not a reading)"


def test_swapped_look_alikes_are_told_and_kept_apart() -> None:
    """Two adapters changed places: nothing is kept under the wrong name, and the message says whose device it is."""
    other = source(channel("/volts"), name="sensor board", format="json")
    clock, stop = FakeClock(), Event()
    batches: list[Batch] = []
    timeline = Timeline(clock, lambda t, text: None)
    setting = Setting(clock, timeline, make, lambda *_: pytest.fail("no file here"), Path("none"), (PLAN, other))
    reads = [(1.0, b'{"volts": 13.1}\n')] * 20 + [(1.0, b"V=9\n")] + [(1.0, b'{"volts": 13.1}\n')] * 3
    line = FakeLine(clock, stop, reads + each_second(9))
    LiveSource(PLAN, line, make(PLAN), clock, timeline, whose=lambda lines: owner(lines, PLAN, setting)).run(
        stop, batches.append
    )
    states = [b.text for b in batches if isinstance(b, EventBatch) and b.kind == "state"]
    assert states[0].startswith("failing: what it sends has the form of 'sensor board', not its own")
    assert states[1].startswith("reading")
    kept = [record.readings[0].value for b in batches if isinstance(b, LiveBatch) for _, record in b.moments]
    assert kept == [4, 5, 6, 7, 8]


def test_another_layout_after_minutes_of_silence_is_told_as_an_update() -> None:
    """It spoke, was off for five minutes, and speaks otherwise now."""
    heard = Heard([*each_second(5), (300.0, b'{"volts": 13.1}\n'), *[(1.0, b'{"volts": 13.1}\n')] * 20])
    assert heard.events("restarted or updated") == ["after 300 s of silence its messages have another layout"]
    assert Heard([*each_second(5), *[(1.0, b'{"volts": 13.1}\n')] * 20]).events("restarted or updated") == []


def test_another_layout_since_an_earlier_session_is_told_as_an_update() -> None:
    """It spoke yesterday, and speaks otherwise today; not where the settings have been changed meanwhile."""
    clock = FakeClock()
    yesterday = Earlier(clock.now_ms() - 86_400_000, same_settings=True, layouts=frozenset([frozenset([VOLTS])]))
    strange = [(1.0, b'{"volts": 13.1}\n')] * 20
    assert Heard(strange, clock=clock, earlier=yesterday).events("restarted or updated") == [
        "after 86401 s of silence its messages have another layout"
    ]
    remapped = Earlier(clock.now_ms() - 86_400_000, same_settings=False)
    assert Heard(strange, clock=clock, earlier=remapped).events("restarted or updated") == []


PROBES = source(
    channel("28-000005e2fdc3", "enclosure.electrics.temperature"),
    channel("28-000005e2fdc4", "air.cabin.temperature"),
    kind="onewire",
    unheard_after_s=20,
)
BOTH, ONE = (b"28-000005e2fdc3\n21000\n\n28-000005e2fdc4\n18000\n\n", b"28-000005e2fdc3\n21000\n\n")


def test_one_sensor_that_falls_silent_among_others_is_told_and_so_is_its_return() -> None:
    """The source goes on; the event is stamped when the silence began."""
    heard = Heard([*[(10.0, BOTH)] * 6, *[(10.0, ONE)] * 100, *[(10.0, BOTH)] * 3], plan=PROBES)
    (fell,) = [b for b in heard.batches if isinstance(b, EventBatch) and b.kind == "part unheard"]
    assert fell.t - heard.begun == 60_000
    assert fell.text == "sensor 28-000005e2fdc4: nothing for 610 s while others of its source speak"
    assert heard.events("part heard again") == ["sensor 28-000005e2fdc4: heard again after 1010 s"]


def test_a_sensor_that_was_never_heard_is_told_once() -> None:
    """A wrong number in the settings."""
    heard = Heard([(10.0, ONE)] * 500, plan=PROBES)
    assert len(heard.events("part unheard")) == 1


def test_what_an_earlier_session_left_silent_is_heard_again() -> None:
    """The logger was stopped in between; without a time, for that session's end is not its silence's."""
    earlier = Earlier(None, silent=frozenset(["sensor 28-000005e2fdc4"]))
    assert Heard([(10.0, BOTH)] * 3, plan=PROBES, earlier=earlier).events("part heard again") == [
        "sensor 28-000005e2fdc4: heard again"
    ]


def test_a_silence_of_the_whole_source_is_not_its_parts() -> None:
    """The bus was off for two hours; each part gets its time anew when it is back."""
    heard = Heard([*[(10.0, BOTH)] * 6, *[(10.0, b"")] * 720, *[(10.0, ONE)] * 30, *[(10.0, BOTH)] * 3], plan=PROBES)
    assert heard.events("part unheard") == []


def test_a_topic_that_speaks_seldom_is_given_its_time() -> None:
    """Every quarter of an hour, beside one of each ten seconds: told once, then known."""
    plan = source(
        channel("barge/volts"), channel("barge/warmth", "bank.house.temperature"), kind="mqtt", unheard_after_s=20
    )
    often = b'{"topic": "barge/volts", "payload": "26.4", "retained": false}\n'
    seldom = often.replace(b"volts", b"warmth")
    heard = Heard([*[(10.0, often)] * 89, (10.0, often + seldom)] * 12, plan=plan)
    assert len(heard.events("part unheard")) == 1
    assert len(heard.events("part heard again")) == 1


def test_how_long_it_was_silent_is_not_said_before_the_clock_is_known() -> None:
    """An earlier session's last reading and a clock that nobody vouches for give no length."""
    clock = FakeClock()
    clock.synchronised = None
    heard = Heard(each_second(3), last_heard=clock.now_ms() - 3_600_000, clock=clock)
    assert heard.events("gap") == ["no reading until this session; how long that was is not known before the clock is"]


def test_rejects_of_one_reason_are_counted_all_and_kept_few() -> None:
    """A line that sends nothing else must not fill the store: ten of a reason are kept a minute."""
    heard = Heard([(1.0, b"noise\n" * 50)] * 20)
    assert heard.rejects.count("not a reading") in (10, 20)
    assert sum(batch.rejected for batch in heard.batches if isinstance(batch, LiveBatch)) == 20 * 50


def test_half_a_line_at_the_loss_is_told() -> None:
    """The device is unplugged in mid-sentence."""
    heard = Heard([(1.0, b"V=1\nV=2\nV=13.")])
    assert heard.rejects == ["first line after opening", "incomplete"]
    assert [value for _, value in heard.moments] == [2.0]


def test_a_gap_reaches_back_to_an_earlier_session() -> None:
    """The logger was off for an hour: that is an hour without a reading."""
    clock = FakeClock()
    heard = Heard(each_second(3), last_heard=clock.now_ms() - 3_600_000, clock=clock)
    assert heard.events("gap") == ["3602.0 s without a reading"]


def test_lines_read_in_one_piece_keep_order_and_number() -> None:
    """Ten lines after ten seconds: ten times, a second apart."""
    heard = Heard([(1.0, b"V=0\n"), (10.0, b"".join(b"V=%d\n" % n for n in range(1, 11)))])
    assert [value for _, value in heard.moments] == list(range(1, 11))
    assert [t - heard.begun for t, _ in heard.moments] == [2000 + 1000 * n for n in range(10)]


def test_a_time_that_a_message_states_speaks_for_the_clock() -> None:
    """With the boot-time clock of its hearing; three that agree are believed."""

    class FakeReceiver:
        def feed(self, data: bytes) -> list[TimeEvidence]:
            return [TimeEvidence(clock.now_ms() + 7_200_000, "GPRMC")] if data else []

        def opened(self) -> None: ...

        def finish(self) -> list[TimeEvidence]:
            return []

    clock, stop = FakeClock(), Event()
    timeline = Timeline(clock, lambda t, text: None)
    line = FakeLine(clock, stop, [(1.0, b"x")] * 3)
    LiveSource(PLAN, line, FakeReceiver(), clock, timeline).run(stop, [].append)
    believed = timeline.witness.believed()
    assert believed is not None
    assert believed.kind == "gnss"
    assert believed.offset_ms == timeline.offset_ms + 7_200_000
