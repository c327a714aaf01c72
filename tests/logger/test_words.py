"""Of a text channel the time in each word is known: as long as it was heard, and in each interval by itself."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.sealed import DAY_MS
from logger.words import time_in_words
from tests.logger.archives import FIRST, HOUR, MINUTE, STAGE, seal, store

CHANNEL = "controller.cabin.stage"


def test_time_in_each_word_across_the_border_of_a_file(tmp_path: Path) -> None:
    """Off until noon and bulk after it, sealed or not."""
    samples = [(FIRST + k * MINUTE, STAGE, float(k % 1440 >= 720)) for k in range(2880)]
    with store(tmp_path / "x.db", samples) as connection:
        seal(connection, tmp_path / "x.db", FIRST + 2 * DAY_MS)
        half = {"off": DAY_MS // 2, "bulk": DAY_MS // 2}
        assert time_in_words(connection, CHANNEL, [FIRST, FIRST + DAY_MS], DAY_MS) == [half, half]
        noon = FIRST + 12 * HOUR - 30_000
        assert time_in_words(connection, CHANNEL, [noon], HOUR) == [{"off": 30_000, "bulk": HOUR - 30_000}]


def test_a_silent_device_holds_no_word(tmp_path: Path) -> None:
    """A word counts a minute and no longer where the device falls silent: what it did then is not known."""
    samples = [(FIRST + k * 20_000, STAGE, 1.0) for k in range(4)]
    with store(tmp_path / "x.db", samples) as connection:
        assert time_in_words(connection, CHANNEL, [FIRST, FIRST + HOUR], HOUR) == [{"bulk": 120_000}, {}]
        assert time_in_words(connection, "bank.house.voltage", [FIRST], HOUR) == [{}]
        assert time_in_words(connection, CHANNEL, [], HOUR) == []


def test_words_of_an_interval_hold_for_it(tmp_path: Path) -> None:
    """A word that a file states for each quarter-hour holds for a quarter-hour, and not into a hole."""
    samples = [(FIRST, STAGE, 1.0), (FIRST + 15 * MINUTE, STAGE, 0.0), (FIRST + 60 * MINUTE, STAGE, 1.0)]
    with store(tmp_path / "x.db", samples, [(STAGE, FIRST, FIRST + 2 * HOUR, 15 * MINUTE)]) as connection:
        assert time_in_words(connection, CHANNEL, [FIRST], HOUR) == [{"bulk": 15 * MINUTE, "off": 15 * MINUTE}]


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    steps=st.lists(st.tuples(st.integers(1, 200), st.integers(0, 1)), min_size=1, max_size=40),
    length=st.sampled_from([1, 7, 60]),
)
def test_intervals_add_up_second_by_second(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[int, int]], length: int
) -> None:
    """Against a reckoning of each second by itself: the last word heard, if that is no more than a minute old."""
    at, samples = FIRST, []
    for step, code in steps:
        samples.append((at, STAGE, float(code)))
        at += step * 1000
    starts = list(range(FIRST, at + 120_000, length * 60_000))
    heard = {t: ("off", "bulk")[int(code)] for t, _, code in samples}
    expected: list[Counter[str]] = [Counter() for _ in starts]
    word, since = "", 0
    for second in range(FIRST, starts[-1] + length * 60_000, 1000):
        if second in heard:
            word, since = heard[second], second
        if word and second < since + 60_000:
            expected[(second - FIRST) // (length * 60_000)][word] += 1000
    with store(tmp_path_factory.mktemp("words") / "x.db", samples) as connection:
        assert time_in_words(connection, CHANNEL, starts, length * 60_000) == [dict(each) for each in expected]
