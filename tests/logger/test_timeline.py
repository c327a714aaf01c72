"""Times that are never given twice, whatever the wall clock does."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from logger.collector import spread
from logger.timeline import STEP_MS, Timeline

from .times import FakeClock


def test_a_step_forward_is_told_once_and_changes_no_spacing() -> None:
    """Where the line lies in UTC is decided in the store; the line itself runs on."""
    clock, steps = FakeClock(1_717_228_800_000), []
    timeline = Timeline(clock, lambda t, text: steps.append((t, text)))
    clock.move(300)
    clock.step(174_600)
    assert timeline.now_ms() == timeline.now_ms() == 1_717_228_800_000 + 300_000
    assert steps == [(timeline.now_ms(), "the clock went forward 174600.0 s; readings keep their true spacing")]


def test_a_step_back_keeps_the_session_s_time() -> None:
    """Spacing stays ten seconds; no time comes again; it is told once."""
    clock, steps = FakeClock(1_717_243_200_000), []
    timeline = Timeline(clock, lambda t, text: steps.append(text))
    times = [timeline.now_ms()]
    for step in (0, -7200, 0, 0):
        clock.move(10)
        clock.step(step)
        times.append(timeline.now_ms())
    assert [b - a for a, b in itertools.pairwise(times)] == [10_000] * 4
    assert steps == ["the clock went back 7200.0 s; readings keep their true spacing"]


def test_a_thread_held_up_between_two_clocks_sees_no_step() -> None:
    """The two clocks cannot be read in one instant; the doubt is measured and allowed for."""

    class HeldUp(FakeClock):
        def now_ms(self) -> int:
            now = super().now_ms()
            self.move(3)
            return now

    steps: list[str] = []
    timeline = Timeline(HeldUp(), lambda t, text: steps.append(text))
    for _ in range(5):
        timeline.now_ms()
    assert steps == []


@given(st.lists(st.tuples(st.integers(0, 100_000), st.integers(-10_000_000, 10_000_000)), max_size=30))
def test_time_never_runs_back(moves: list[tuple[int, int]]) -> None:
    """Whatever passes and whatever is set: the spacing is the boot clock's."""
    clock = FakeClock()
    timeline = Timeline(clock, lambda t, text: None)
    times = [timeline.now_ms()]
    for passed_ms, set_ms in moves:
        clock.move(passed_ms / 1000)
        clock.step(set_ms / 1000)
        times.append(timeline.now_ms())
    assert [b - a for a, b in itertools.pairwise(times)] == [passed for passed, _ in moves]


@given(st.lists(st.tuples(st.integers(0, 80), st.integers(0, 5_000)), max_size=40))
def test_two_readings_never_share_a_millisecond(reads: list[tuple[int, int]]) -> None:
    """However many messages each read holds and however little time has passed: strictly rising, none in the past."""
    now, last, given_times = 1_780_000_000_000, 0, []
    for count, passed in reads:
        since, now = now, now + passed
        times = spread(count, since, now, last)
        assert len(times) == count
        assert all(t > since or passed == 0 or t > last for t in times)
        given_times += times
        last = times[-1] if times else last
    assert all(a < b for a, b in itertools.pairwise(given_times))


def test_messages_read_in_one_piece_are_spread_back_evenly() -> None:
    """A process that was held up for ten seconds finds ten lines, one for each second."""
    assert spread(10, 50_000, 60_000, 0) == [51_000 + 1000 * n for n in range(10)]
    assert spread(1, 50_000, 60_000, 0) == [60_000]
    assert spread(3, 60_000, 60_000, 60_000) == [60_001, 60_002, 60_003]


def test_small_steps_add_up() -> None:
    """A clock that is corrected a little again and again is told of in the end."""
    clock, steps = FakeClock(), []
    timeline = Timeline(clock, lambda t, text: steps.append(text))
    for _ in range(4):
        clock.step(STEP_MS / 2000)
        timeline.now_ms()
    assert steps == ["the clock went forward 0.5 s; readings keep their true spacing"] * 2
