"""What the store still knows of a source from earlier sessions."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger import earlier
from logger.batches import EventBatch, LiveBatch
from logger.earlier import Earlier
from logger.readings import Reading, Record

from .plans import channel, source
from .test_writer import NOON, desk

VOLTS, ENERGY = "bank.house.voltage", "controller.cabin.day_energy"
VERSION = "controller.cabin.version"
PLAN = source(channel("V"), channel("E", ENERGY), channel("F", VERSION, is_text=True))
CHANNELS = {c.channel: c for c in PLAN.channels}
HOUR_MS = 3_600_000


def keep(path: Path, *said: tuple[int, dict[str, float | str]], then: int = 0) -> None:
    """A session that heard this at milliseconds after noon, and ran on for so long."""
    records = tuple((NOON + t, Record(tuple(Reading(*one) for one in values.items()))) for t, values in said)
    with desk(path) as d:
        d.outbox.put(LiveBatch(PLAN.name, "reading", CHANNELS, records))
        d.clock.move(then / 1000)
        d.writer.flush()


@pytest.mark.parametrize("then", [2_000, 3 * HOUR_MS])
def test_versions_counters_and_layouts_are_those_of_the_last_messages(tmp_path: Path, then: int) -> None:
    """Whether or not the hour is over; what came in the same message makes its layout."""
    path = tmp_path / "lapwing.db"
    said: list[tuple[int, dict[str, float | str]]] = [
        (0, {VOLTS: 26.4, ENERGY: 640.0, VERSION: "1.1"}),
        (1000, {VOLTS: 26.5, ENERGY: 641.0, VERSION: "1.2"}),
        (2000, {VOLTS: 26.6}),
    ]
    keep(path, *said, then=then)
    assert earlier.of(path, PLAN, "h1") == Earlier(
        NOON + 2000,
        same_settings=True,
        words={VERSION: "1.2"},
        counters={ENERGY: 641.0},
        layouts=frozenset([frozenset([VOLTS, ENERGY, VERSION]), frozenset([VOLTS])]),
    )


def test_other_settings_leave_no_layout(tmp_path: Path) -> None:
    """Other fields may be the settings' doing; a version is the device's."""
    path = tmp_path / "lapwing.db"
    keep(path, (0, {VOLTS: 26.4, VERSION: "1.1"}))
    found = earlier.of(path, PLAN, "h2")
    assert (found.same_settings, found.layouts, found.words) == (False, frozenset(), {VERSION: "1.1"})


def test_a_version_told_once_at_the_start_is_found(tmp_path: Path) -> None:
    """Hours before the last reading."""
    path = tmp_path / "lapwing.db"
    keep(path, (0, {VERSION: "1.1"}), *((5 * HOUR_MS + 1000 * n, {VOLTS: 26.4}) for n in range(3)), then=5 * HOUR_MS)
    assert earlier.of(path, PLAN, "h1").words == {VERSION: "1.1"}


def test_parts_that_were_not_heard_again_are_silent(tmp_path: Path) -> None:
    """By the last word of each, of this source alone."""
    path = tmp_path / "lapwing.db"
    keep(path, (0, {VOLTS: 26.4}))
    with desk(path) as d:
        for name, kind, text in (
            (PLAN.name, "part unheard", "node 3: nothing for 610 s"),
            (PLAN.name, "part unheard", "node 4: nothing for 610 s"),
            (PLAN.name, "part heard again", "node 3: heard again after 700 s"),
            ("other bus", "part unheard", "node 5: nothing for 610 s"),
        ):
            d.outbox.put(EventBatch(NOON, name, kind, text))
        d.writer.flush()
    assert earlier.of(path, PLAN, "h1").silent == {"node 4"}


def test_a_store_that_cannot_be_read_is_no_reason_not_to_record(tmp_path: Path) -> None:
    """It may lie on a disk that is away."""
    assert earlier.of(tmp_path / "away" / "lapwing.db", PLAN, "h1") == Earlier()
