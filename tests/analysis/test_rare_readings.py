"""An instrument that speaks every few minutes is not one that is silent in between."""

from __future__ import annotations

import random
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from analysis.assess import assess
from analysis.frames import MINUTE_MS, Pieces, load
from analysis.results import ArrayDay
from analysis.results_reading import Results
from fixtures.lapwing.history import history_csv
from fixtures.lapwing.kit import settings_text
from fixtures.lapwing.story import Story
from fixtures.lapwing.vessel import sail
from logger import schema
from logger.importing import bring_in, choose
from logger.settings_file import plan, read
from logger.store import HOUR_MS, open_reader, open_writer, transaction

NOW = 1_790_000_000_000  # after the story
START = 1_780_000_000_000 // HOUR_MS * HOUR_MS
DAYS = 3


@pytest.fixture(scope="module")
def lines() -> list[str]:
    story = Story.told(DAYS, healthy=True)
    return history_csv(story, sail(story)).splitlines(keepends=True)


def judged(folder: Path, lines: list[str], label: str) -> list[ArrayDay]:
    """Days of the gantry of a history whose rows mean what the label says."""
    folder.mkdir()
    every_minute = 'label = "start", interval_s = 60'
    assert every_minute in settings_text("full")
    (folder / "noonmark.toml").write_text(settings_text("full").replace(every_minute, label), encoding="utf-8")
    (folder / "history.csv").write_text("".join(lines), encoding="utf-8")
    located = read(folder / "noonmark.toml")
    schema.prepare(located.store_path)
    with closing(open_writer(located.store_path)) as connection:
        for file, source in choose(plan(located), [folder / "history.csv"], "history"):
            list(bring_in(connection, plan(located), [(file, source)], NOW))
    assess(located)
    with closing(open_reader(located.store_path)) as reader:
        return [d for d in Results(reader).array_days() if d.array == "gantry"]


@pytest.mark.parametrize("every_min", [2, 5, 10])
def test_a_reading_every_few_minutes_tells_what_one_a_minute_does(
    tmp_path: Path, lines: list[str], every_min: int
) -> None:
    """Energy within 4 %, which is chance under broken cloud, the same daylight known, the same verdicts."""
    whole = judged(tmp_path / "whole", lines, 'label = "start", interval_s = 60')
    rare = judged(tmp_path / "rare", [lines[0], *lines[1::every_min]], 'label = "instant"')
    assert [d.verdict for d in rare] == [d.verdict for d in whole]
    for seen, known in zip(rare, whole, strict=True):
        assert seen.measured_wh == pytest.approx(known.measured_wh, rel=0.04)
        assert seen.expected_wh == pytest.approx(known.expected_wh, rel=0.04)
        assert seen.completeness == pytest.approx(known.completeness, abs=0.02)


@pytest.fixture
def loaded(tmp_path: Path) -> Callable[[dict[int, float]], Pieces]:
    """What `load` makes of a channel's minutes, given by their number from the start."""
    schema.prepare(tmp_path / "x.db")

    def of(minutes: dict[int, float]) -> Pieces:
        with closing(open_writer(tmp_path / "x.db")) as connection:
            with transaction(connection):
                connection.execute("INSERT INTO channel (id, name, unit) VALUES (1, 'bank.house.voltage', 'V')")
                connection.executemany(
                    "INSERT INTO minute (t, channel, mean, low, high, n) VALUES (?, 1, ?, ?, ?, 1)",
                    [(START + m * MINUTE_MS, v, v, v) for m, v in minutes.items()],
                )
            stop = START + 4 * HOUR_MS
            return load(connection, START, stop, [(START, stop)], ["bank.house.voltage"])["bank.house.voltage"]

    return of


def test_between_two_readings_lies_their_mean(loaded: Callable[[dict[int, float]], Pieces]) -> None:
    """Every five minutes; one that is missing leaves a hole of ten, and up to the end the next one beyond counts."""
    found = loaded({m: float(m) for m in range(0, 260, 5) if m != 100})
    at = (found.start - START) // MINUTE_MS
    assert at.tolist() == [m for m in range(0, 240, 5) if m not in (95, 100)]
    assert (found.length == 5 * MINUTE_MS).all()
    np.testing.assert_allclose(found.value, at + 2.5)


def test_readings_of_every_ninety_seconds_leave_no_holes(loaded: Callable[[dict[int, float]], Pieces]) -> None:
    """They lie one minute and two apart in turn."""
    found = loaded({int(1.5 * k): 1.0 for k in range(160)})
    assert (found.start[:-1] + found.length[:-1] == found.start[1:]).all()


def test_minutes_of_which_some_are_lost_stay_minutes(loaded: Callable[[dict[int, float]], Pieces]) -> None:
    """A line that loses a third of its minutes has holes, and none is filled."""
    kept = sorted(random.Random(3).sample(range(240), 160))
    found = loaded(dict.fromkeys(kept, 1.0))
    assert ((found.start - START) // MINUTE_MS).tolist() == kept
    assert (found.length == MINUTE_MS).all()


def test_readings_hours_apart_tell_moments_alone(loaded: Callable[[dict[int, float]], Pieces]) -> None:
    found = loaded({0: 1.0, 100: 1.0, 200: 1.0})
    assert found.length.tolist() == [MINUTE_MS] * 3
