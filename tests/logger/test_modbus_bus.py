"""A Modbus on real pseudo-terminals and sockets: nothing is booked to the wrong unit, no unit starves another."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from contextlib import closing
from threading import Event

import pytest

from logger.batches import EventBatch, LiveBatch
from logger.decoders.registry import make
from logger.exchange import Question
from logger.plan import ChannelPlan, RegisterPlan, SourcePlan
from logger.protocols import Batch
from logger.sources.modbus_bus import ModbusLine
from logger.sources.modbus_wire import Answer, SerialWire
from logger.sources.polled import PolledSource
from logger.timeline import Timeline

from .units_on_a_bus import HurriedClock, Units, on_a_line

pytestmark = pytest.mark.terminal

NODES = (1, 2, 3)


def channel(node: int, address: int, kind: str = "uint16") -> ChannelPlan:
    """A channel whose name says where it comes from."""
    place = RegisterPlan(node, 3, address, kind)
    return ChannelPlan(place.label, f"array.n{node}-{address}.voltage", "V", 1.0, 0.0, -2.0, 70_000.0, register=place)


def plan(*channels: ChannelPlan, **more: object) -> SourcePlan:
    return SourcePlan("bus", "modbus", channels, **{"baud": 19200, **more})  # type: ignore[arg-type]


class Heard:
    """What a source emitted until a condition held."""

    def __init__(self) -> None:
        self.batches: list[Batch] = []

    def until(self, source_plan: SourcePlan, enough: Callable[[Heard], bool]) -> Heard:
        stop, clock = Event(), HurriedClock()

        def emit(batch: Batch) -> None:
            self.batches.append(batch)
            if enough(self):
                stop.set()

        timeline = Timeline(clock, lambda t, text: None)
        PolledSource(source_plan, ModbusLine, make(source_plan), clock, timeline).run(stop, emit)
        return self

    @property
    def values(self) -> list[tuple[str, float | str]]:
        """Where each value was booked, and the value."""
        return [
            (reading.channel.split(".")[1], reading.value)
            for batch in self.batches
            if isinstance(batch, LiveBatch)
            for _, record in batch.moments
            for reading in record.readings
        ]

    @property
    def counts(self) -> Counter[str]:
        return Counter(place for place, _ in self.values)

    @property
    def notes(self) -> list[str]:
        return [b.text for b in self.batches if isinstance(b, EventBatch) and b.kind == "bus"]

    @property
    def states(self) -> list[str]:
        return [b.text for b in self.batches if isinstance(b, EventBatch) and b.kind == "state"]

    @property
    def rejects(self) -> list[str]:
        return [reason for b in self.batches if isinstance(b, LiveBatch) for _, _, reason in b.rejects]


def holding(*nodes: int, addresses: tuple[int, ...] = (0, 1)) -> dict[int, dict[int, int]]:
    """Each register holds a number that says where it stands: 100 × node + address."""
    return {node: {address: 100 * node + address for address in addresses} for node in nodes}


def true(values: list[tuple[str, float | str]]) -> bool:
    """Whether each value was booked where it came from."""
    return all(value == 100 * int(place[1]) + int(place.split("-")[1]) for place, value in values)


def test_units_take_turns_and_neighbours_are_read_together() -> None:
    """Three units, two registers each: one question a unit and round, and every value where it belongs."""
    units = Units(holding(*NODES))
    channels = [channel(node, address) for node in NODES for address in (0, 1)]
    with on_a_line(units) as port:
        heard = Heard().until(plan(*channels, port=port), lambda h: h.counts["n3-1"] >= 3)
    assert true(heard.values)
    assert units.asked[:6] == [(1, 3, 0, 2), (2, 3, 0, 2), (3, 3, 0, 2)] * 2
    assert heard.states == ["reading: readings come in"]
    assert heard.notes == heard.rejects == []


def test_dead_slow_missing_and_echoed_all_at_once() -> None:
    """Unit 2 dead, unit 3 after 550 ms and without register 7, every question echoed: units 1 and 3 lose nothing."""
    units = Units(holding(*NODES, addresses=(0, 1, 8)), silent={2}, late_s={3: 0.55}, echo=True)
    channels = [channel(node, 0) for node in NODES] + [channel(3, 1), *(channel(3, a) for a in (7, 8))]
    with on_a_line(units) as port:
        heard = Heard().until(plan(*channels, port=port, every_s=10.0), lambda h: h.counts["n1-0"] >= 9)
    assert true(heard.values)
    assert heard.counts["n3-0"] >= 8
    assert heard.counts["n3-8"] >= 8
    asked = Counter((node, address) for node, _, address, _ in units.asked)
    assert asked[2, 0] <= 5
    missing = [note for note in heard.notes if "register 7 " in note]
    assert missing == ["holding register 7 of node 3: exception 02 (no such register); asked again once an hour"]
    assert sum(note.startswith("node 2: no answer to 3 questions") for note in heard.notes) == 1


@pytest.mark.parametrize("echo", [None, True])
def test_an_echo_is_no_answer(echo: bool | None) -> None:
    """A silent unit whose questions are echoed stays silent, found out or declared."""
    units = Units(holding(1), silent={1}, echo=True)
    with on_a_line(units) as port:
        heard = Heard().until(
            plan(channel(1, 0), port=port, echo=echo, timeout_s=0.1), lambda h: any("node 1" in n for n in h.notes)
        )
    assert heard.values == []
    assert heard.rejects == []


@pytest.mark.parametrize("silent", [True, False])
@pytest.mark.parametrize("glitch", [b"", b"\x00"])
def test_an_echo_that_is_a_sound_answer_to_itself(silent: bool, glitch: bytes) -> None:
    """Node 17, register 672: the first seven bytes of that question are a sound answer of 40960. They are not taken."""
    units = Units({17: {672: 131}}, silent={17} if silent else set(), echo=True, glitch=glitch)
    with on_a_line(units) as port:
        heard = Heard().until(
            plan(channel(17, 672), port=port, timeout_s=0.1), lambda h: bool(h.notes) or len(h.values) >= 3
        )
    assert {value for _, value in heard.values} == (set() if silent else {131})


def test_a_value_that_looks_like_an_echo_is_kept() -> None:
    """The same register without an echo, and it does hold 40960."""
    with on_a_line(Units({17: {672: 40_960}})) as port:
        heard = Heard().until(plan(channel(17, 672), port=port, timeout_s=0.1), lambda h: len(h.values) >= 2)
    assert {value for _, value in heard.values} == {40_960}


def test_a_late_answer_is_not_the_next_units() -> None:
    """Unit 1 answers after the time-out, into the question to unit 2: nothing of it is booked there."""
    units = Units(holding(1, 2), late_s={1: 0.35})
    with on_a_line(units) as port:
        heard = Heard().until(
            plan(channel(1, 0), channel(2, 0), port=port, timeout_s=0.3, every_s=0.2), lambda h: h.counts["n2-0"] >= 8
        )
    assert true(heard.values)
    assert heard.rejects == []
    assert heard.notes.count("node 1 answers, but later than timeout_s = 0.3; give it more time") == 1


def test_a_late_answer_is_not_another_registers() -> None:
    """One unit, two reads of like length: a late answer to the first is never taken for the second."""
    units = Units(holding(1, addresses=(0, 10)), late_s={1: 0.35})
    with on_a_line(units) as port:
        heard = Heard().until(
            plan(channel(1, 0), channel(1, 10), port=port, timeout_s=0.3, every_s=0.1),
            lambda h: any("node 1: no answer" in note for note in h.notes),
        )
        assert true(heard.values)
        units.late_s.clear()
        heard = Heard().until(
            plan(channel(1, 0), channel(1, 10), port=port, timeout_s=0.3), lambda h: h.counts["n1-10"] >= 3
        )
    assert true(heard.values)


def test_an_answer_to_whoever_asked_before() -> None:
    """A logger that was stopped in the middle of a question, and started again: the answer is not taken for its own."""
    units = Units(holding(1, addresses=(0, 10)), late_s={1: 0.2})
    with on_a_line(units) as port:
        with closing(SerialWire(plan(port=port, timeout_s=0.05))) as before:
            before.open()
            assert before.ask(Question(1, 3, 0, 1)) == Answer()
        heard = Heard().until(plan(channel(1, 10), port=port, timeout_s=0.5), lambda h: h.counts["n1-10"] >= 2)
    assert true(heard.values)


def test_an_answer_with_another_number_is_passed_over() -> None:
    """A sound frame of another unit before the right one."""
    units = Units(holding(1, 2), wrong_node={1})
    with on_a_line(units) as port:
        heard = Heard().until(plan(channel(1, 0), channel(2, 0), port=port), lambda h: h.counts["n1-0"] >= 3)
    assert true(heard.values)


def test_flipped_bits_store_no_wrong_value() -> None:
    """One bit in a hundred turns: some readings come through, all of them true; the rest is rejected with its bytes."""
    units = Units(holding(1, 2), flips=0.01)
    channels = [channel(node, address) for node in (1, 2) for address in (0, 1)]
    with on_a_line(units) as port:
        heard = Heard().until(plan(*channels, port=port, timeout_s=0.05), lambda h: len(h.rejects) >= 20)
    assert len(heard.values) > 20
    assert true(heard.values)
    assert set(heard.rejects) == {"check does not match"}


def test_a_unit_that_dislikes_long_reads_is_read_in_parts() -> None:
    """Exception 03 to 16 registers at once: halves, remembered from then on; nothing is called missing."""
    addresses = tuple(range(16))
    units = Units(holding(1, addresses=addresses), longest=5)
    with on_a_line(units) as port:
        heard = Heard().until(plan(*(channel(1, a) for a in addresses), port=port), lambda h: h.counts["n1-15"] >= 3)
    assert true(heard.values)
    assert heard.notes == []
    assert [count for *_, count in units.asked[-4:]] == [4, 4, 4, 4]


def test_a_missing_register_comes_back() -> None:
    """Asked alone once an hour, and read with its neighbours again when it is there."""
    units = Units(holding(1, addresses=(0, 2)))

    def enough(heard: Heard) -> bool:
        if heard.counts["n1-0"] == 5:
            units.registers[1][1] = 101
        return heard.counts["n1-1"] >= 2

    with on_a_line(units) as port:
        heard = Heard().until(plan(*(channel(1, a) for a in (0, 1, 2)), port=port, every_s=600.0), enough)
    assert true(heard.values)
    assert [note.split(" of node")[0] for note in heard.notes] == ["holding register 1"] * 2
    assert heard.notes[1] == "holding register 1 of node 1 is there now"
    assert sum(address == 1 and count == 1 for _, _, address, count in units.asked) <= 3


def test_a_unit_that_refuses_for_a_while_rests() -> None:
    """Exception 06, busy: told once, asked ever more seldom, and welcomed back."""
    units = Units(holding(1, 2), refuses={2: 6})

    def enough(heard: Heard) -> bool:
        if heard.notes:
            units.refuses.clear()
        return heard.counts["n2-0"] >= 1

    with on_a_line(units) as port:
        heard = Heard().until(plan(channel(1, 0), channel(2, 0), port=port), enough)
    assert heard.notes == [
        "node 2: exception 06 (busy) to 3 questions; asked ever more seldom, the others as before",
        "node 2: answers again",
    ]


def test_a_line_that_is_not_there_waits() -> None:
    """As any serial line."""
    heard = Heard().until(plan(channel(1, 0), port="/dev/serial/by-id/nowhere"), lambda h: len(h.states) >= 1)
    assert heard.states[0].startswith("waiting: serial line /dev/serial/by-id/nowhere: not there; plug it in")


def test_all_silent_is_unheard() -> None:
    """A bus on which nobody answers."""
    with on_a_line(Units({})) as port:
        heard = Heard().until(
            plan(channel(1, 0), port=port, timeout_s=0.05, unheard_after_s=30.0), lambda h: len(h.states) >= 1
        )
    assert heard.states[0].startswith("unheard: open, but no reading for")
