"""Which registers are asked when, without a wire."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.exchange import MOST_REGISTERS
from logger.plan import RegisterPlan
from logger.sources.modbus_poll import ABSENT_S, MOST_REST_S, Block, Poll, Span, joined

_spans = st.lists(st.builds(Span, st.integers(0, 400), st.integers(1, 2)), min_size=1, max_size=300, unique=True).map(
    sorted
)


@given(spans=_spans, cuts=st.sets(st.integers(0, 400), max_size=5))
def test_reads_are_joined_and_never_across_a_hole(spans: list[Span], cuts: set[int]) -> None:
    """Every value is in exactly one read, whole; a read holds at most 125 registers, all of them mapped."""
    runs = joined(spans, cuts)
    assert [span for run in runs for span in run] == spans
    mapped = {address for span in spans for address in range(span.address, span.end)}
    for run in runs:
        read = range(run[0].address, max(span.end for span in run))
        assert len(read) <= MOST_REGISTERS
        assert set(read) <= mapped
        assert not cuts & {span.address for span in run[1:]}


def test_neighbours_are_one_read() -> None:
    """125 of them; the next begins another."""
    runs = joined([Span(address, 1) for address in range(130)])
    assert [len(run) for run in runs] == [125, 5]


class Bus:
    """A poll with a clock moved by hand and a list of what it noted."""

    def __init__(self, *registers: tuple[int, int], every_s: float = 10.0) -> None:
        self.notes: list[str] = []
        plans = [RegisterPlan(node, 3, address, "uint16") for node, address in registers]
        self.now, self.poll = 1000.0, Poll(plans, every_s, 1.0, self.notes.append, 1000.0)

    def next(self) -> Block | None:
        return self.poll.next(self.now)

    def wait(self) -> Block:
        """The next question, and the time gone until it is due."""
        while (block := self.next()) is None:
            waits = self.poll.wait_s(self.now)
            assert waits > 0
            self.now += waits
        return block


def test_rounds_keep_their_rhythm() -> None:
    """Every ten seconds, however long an answer took; after a long pause once, not as often as was missed."""
    bus, asked = Bus((1, 0)), []
    for took in (0.1, 3.0, 0.1, 35.0, 0.1, 0.1):
        block = bus.wait()
        asked.append(bus.now - 1000)
        bus.now += took
        bus.poll.answered(block, bus.now)
    assert asked[:4] == [0, 10, 20, 30]
    assert asked[4] == 65
    assert asked[5] == 75


def test_a_silent_unit_is_asked_ever_more_seldom() -> None:
    """Twice as long each time, a minute at most; the other keeps its rhythm, and the silent one is welcomed back."""
    bus, asked, other = Bus((1, 0), (2, 0)), [], 0
    while bus.now < 1600:
        block = bus.wait()
        if block.node == 2:
            asked.append(bus.now - 1000)
            bus.now += 1
            bus.poll.silent(block, bus.now)
        else:
            other += 1
            bus.poll.answered(block, bus.now)
    pauses = [b - a for a, b in itertools.pairwise(asked)]
    assert pauses == sorted(pauses)
    assert max(pauses) <= MOST_REST_S + 1
    assert len(asked) <= 14
    assert other >= 59
    assert bus.notes == ["node 2: no answer to 3 questions; asked ever more seldom, the others as before"]
    while (block := bus.wait()).node != 2:
        bus.poll.answered(block, bus.now)
    bus.poll.answered(block, bus.now)
    assert bus.notes[-1] == "node 2: answers again"


def test_what_was_not_answered_is_what_is_asked_next() -> None:
    """So that a very late answer meets the question that it belongs to."""
    bus = Bus((1, 0), (1, 10))
    bus.poll.answered(bus.wait(), bus.now)
    second = bus.wait()
    assert second.question.address == 10
    bus.poll.silent(second, bus.now)
    assert bus.next() is None
    assert bus.wait() == second


def test_a_long_map_does_not_hold_up_a_short_one() -> None:
    """Units take turns question by question: the short one is second, not last."""
    bus = Bus(*((1, address) for address in range(0, 40, 2)), (2, 0))
    asked = []
    for _ in range(4):
        block = bus.wait()
        asked.append(block.node)
        bus.poll.answered(block, bus.now)
    assert asked == [1, 2, 1, 1]


def test_a_missing_register_is_found_told_once_and_tried_hourly() -> None:
    """Sixteen neighbours, one missing: few questions to find it; then two reads around it, and it alone each hour."""
    bus, asked, retried = Bus(*((1, address) for address in range(16)), every_s=60.0), [], []
    while bus.now < 1000 + 2.5 * ABSENT_S:
        block = bus.wait()
        question = block.question
        asked.append((question.address, question.count))
        if question.address <= 5 < question.address + question.count:
            retried.append(bus.now - 1000)
            bus.poll.refused(block, 2, bus.now)
        else:
            bus.poll.answered(block, bus.now)
    assert len(bus.notes) == 1
    assert bus.notes[0].startswith("holding register 5 of node 1: exception 02")
    assert sorted(asked[-2:]) == [(0, 5), (6, 10)]
    assert len([t for t in retried if t > 0]) == 2
    assert retried[-1] - retried[-2] >= ABSENT_S


def test_a_unit_without_the_function_is_not_hunted_through() -> None:
    """Exception 01: every register of that function rests, without a question for each."""
    bus = Bus((1, 0), (1, 1), (1, 2))
    block = bus.wait()
    bus.poll.refused(block, 1, bus.now)
    assert len(bus.notes) == 3
    assert bus.next() is None
    bus.now += 600
    assert bus.next() is None


def test_a_damaged_answer_is_asked_for_once_more() -> None:
    """Then not before the next round."""
    bus = Bus((1, 0))
    for _ in range(2):
        block = bus.wait()
        bus.poll.damaged(block, bus.now)
    assert bus.now < 1010
    bus.wait()
    assert bus.now >= 1010


def deaf(bus: Bus, to: int, until: float, code: int | None) -> list[tuple[float, tuple[int, int]]]:
    """Go on until a moment; the unit has no answer, or that exception, to reads that hold one register. What came."""
    came = []
    while bus.now < until:
        block = bus.wait()
        first, count = block.question.address, block.question.count
        if first <= to < first + count:
            if code is None:
                bus.now += 1
                bus.poll.silent(block, bus.now)
            else:
                bus.poll.refused(block, code, bus.now)
        else:
            came.append((bus.now - 1000, (first, count)))
            bus.poll.answered(block, bus.now)
    return came


@pytest.mark.parametrize("code", [None, 4, 7, 8, 11, 99])
@pytest.mark.parametrize("addresses", [(0, 20), (20, 0), (0, 1, 2, 20), (0, 20, 21, 22, 23, 40)])
def test_a_unit_that_is_deaf_to_one_question_keeps_answering_the_others(
    addresses: tuple[int, ...], code: int | None
) -> None:
    """Some units do not answer at all, or say that they have failed, where a register is not there: it is found, told
    once and tried once an hour; within a few minutes all else is read in every round again."""
    bus = Bus(*((1, address) for address in addresses))
    deaf(bus, 20, 1900, code)
    assert len(bus.notes) == 1
    assert bus.notes[0].startswith("holding register 20 of node 1: ")
    assert bus.notes[0].endswith("; asked again once an hour")
    came = deaf(bus, 20, 4300, code)
    others = {address for address in addresses if address != 20}
    for address in others:
        times = [t for t, (first, count) in came if first <= address < first + count]
        assert len(times) >= 0.95 * 240
    assert len(bus.notes) == 1
    deaf(bus, -1, 1000 + 3 * ABSENT_S, code)
    assert bus.notes[-1] == "holding register 20 of node 1 is there now"


def test_a_unit_that_fails_altogether_is_no_hunt_for_registers() -> None:
    """Exception 04 to everything: the unit rests as a silent one does, nothing is taken for missing."""
    bus = Bus((1, 0), (1, 10), (1, 20))
    while bus.now < 2000:
        bus.poll.refused(bus.wait(), 4, bus.now)
    (note,) = bus.notes
    assert note.startswith("node 1: exception 04")
    came = deaf(bus, -1, 2100, None)
    assert {first for _, (first, _) in came} == {0, 10, 20}


@pytest.mark.parametrize("code", [5, 6])
def test_what_a_unit_is_busy_with_is_not_missing(code: int) -> None:
    """However often it puts one question off, the question is asked again, and the others are answered."""
    bus = Bus((1, 0), (1, 10))
    came = deaf(bus, 10, 2000, code)
    assert len(came) >= 30
    assert bus.notes == []
    came = deaf(bus, -1, 2100, None)
    assert {first for _, (first, _) in came} == {0, 10}
