"""Readings that jump or stand still are marked, never dropped; restarts of devices are told."""

from __future__ import annotations

import pytest

from logger.doubts import Doubts
from logger.earlier import Earlier
from logger.readings import Reading, Record
from logger.restarts import Restarts
from logger.vocabulary import VOCABULARY

from .plans import channel

NOON = 1_781_265_600_000
BOX = "enclosure.electrics.temperature"
LIGHT = "irradiance.cabin.plane"


def doubts(name: str, said: list[tuple[float, float]], **limits: float) -> list[tuple[float, str]]:
    """What is in doubt among values at seconds."""
    judge = Doubts({name: channel("x", name, **limits)})
    found = []
    for second, value in said:
        record = Record((Reading(name, value),))
        found += [((t - NOON) / 1000, reason) for t, _, reason in judge.of(NOON + round(second * 1000), record)]
    return found


def test_a_spike_is_marked_and_its_neighbours_are_not() -> None:
    """A probe that says 85 once between 21.5 and 21.6."""
    said = [(0, 21.4), (1, 21.5), (2, 85.0), (3, 21.5), (4, -127.0), (5, 21.6)]
    assert doubts(BOX, said, most_per_s=2.0) == [(2, "jump"), (4, "jump")]


def test_a_box_that_runs_hot_is_believed() -> None:
    """79.8, 82.6, 85.0, 86.9 at half minutes: nothing jumps."""
    said = [(0, 79.8), (30, 82.6), (60, 85.0), (90, 86.9)]
    assert doubts(BOX, said, most_per_s=2.0) == []


def test_what_stays_where_it_jumped_to_is_believed_from_its_second_reading() -> None:
    """A probe moved from the box to the cabin costs one reading."""
    said = [(0, 40.0), (1, 40.1), (2, 22.0), (3, 22.1), (4, 22.0)]
    assert doubts(BOX, said, most_per_s=2.0) == [(2, "jump")]


def test_the_last_digit_may_flicker_at_any_rate() -> None:
    """Ten readings a second that differ by one degree are noise."""
    assert doubts(BOX, [(n / 10, 20.0 + n % 2) for n in range(50)], most_per_s=2.0) == []


def test_a_value_that_never_moves_is_marked_once_it_has_stood_too_long() -> None:
    """Light of 412 W/m² to the last digit for over an hour; then it moves and is believed at once."""
    said = [(600 * n, 412.0) for n in range(9)] + [(5400, 413.0)]
    assert doubts(LIGHT, said, stuck_after_s=3600) == [(4200, "stuck"), (4800, "stuck")]


def test_nothing_is_no_sign_of_a_hung_sensor() -> None:
    """All night the light is zero."""
    assert doubts(LIGHT, [(600 * n, 0.0) for n in range(60)], stuck_after_s=3600) == []


def test_limits_stand_only_where_the_thing_is_slow_or_restless() -> None:
    """Volts and amps may jump with a switch, and stand all night."""
    with_limits = {q.pattern for q in VOCABULARY if q.most_per_s or q.stuck_after_s}
    assert BOX.replace("electrics", "<enclosure>") in with_limits
    assert not [p for p in with_limits if p.endswith((".voltage", ".current", ".power", ".stage"))]


def restarts(*said: tuple[float, dict[str, float | str]], longitude: float = 0.0, known: bool = True) -> list[str]:
    """What is told of messages at seconds after noon."""
    judge = Restarts((ENERGY, VERSION, VOLTS), longitude)
    signs = [
        judge.heard(NOON + round(second * 1000), Record(tuple(Reading(*pair) for pair in values.items())), known)
        for second, values in said
    ]
    return [sign for sign in signs if sign]


ENERGY, VERSION, VOLTS = "controller.cabin.day_energy", "controller.cabin.version", "array.cabin.voltage"


def test_a_counter_that_falls_over_a_gap_of_minutes() -> None:
    """It lost its supply at midday."""
    assert restarts((0, {ENERGY: 640.0}), (10, {ENERGY: 641.0}), (200, {ENERGY: 0.0})) == [
        f"{ENERGY} fell from 641 to 0 Wh after 190 s of silence"
    ]


@pytest.mark.parametrize("longitude", [-180.0, -2.9, 0.0, 150.0])
def test_a_counter_that_falls_at_midnight_says_nothing(longitude: float) -> None:
    """Whatever the zone: the day is over."""
    midnight = (12 - longitude / 15) * 3600 % 86_400
    assert restarts((midnight - 100, {ENERGY: 640.0}), (midnight + 100, {ENERGY: 0.0}), longitude=longitude) == []


@pytest.mark.parametrize("gap", [5, 100])
def test_a_counter_that_falls_without_a_gap_is_no_restart(gap: float) -> None:
    """Some controllers count anew at first light."""
    assert restarts((0, {ENERGY: 640.0}), (gap, {ENERGY: 0.0})) == []


def test_with_a_clock_that_nobody_vouches_for_a_counter_says_nothing() -> None:
    """It may be midnight."""
    assert restarts((0, {ENERGY: 640.0}), (200, {ENERGY: 0.0}), known=False) == []


def test_another_version_is_told_at_once() -> None:
    """Words of other channels change all day."""
    stage = "controller.cabin.stage"
    told = restarts((0, {VERSION: "1.2", stage: "bulk"}), (1, {VERSION: "1.3", stage: "float"}))
    assert told == [f"{VERSION} is 1.3, was 1.2"]


@pytest.mark.parametrize(("then", "told"), [(200.0, True), (100.0, False)])
def test_what_the_store_last_held_counts_as_said_before(then: float, told: bool) -> None:
    """The logger was restarted with the vessel's supply: version and counter are compared with yesterday's."""
    earlier = Earlier(NOON, words={VERSION: "1.2"}, counters={ENERGY: 641.0})
    judge = Restarts((ENERGY, VERSION, VOLTS), 0.0, earlier, NOON)
    said = Record((Reading(ENERGY, 0.0), Reading(VERSION, "1.3")))
    fell = f"{ENERGY} fell from 641 to 0 Wh after {then:.0f} s of silence; "
    assert judge.heard(NOON + round(then * 1000), said, True) == (fell if told else "") + f"{VERSION} is 1.3, was 1.2"


def test_what_the_store_last_held_at_an_unknown_time_speaks_by_its_version_alone() -> None:
    """Nobody vouched for the clock then or now."""
    earlier = Earlier(NOON, words={VERSION: "1.2"}, counters={ENERGY: 641.0})
    judge = Restarts((ENERGY, VERSION, VOLTS), 0.0, earlier, None)
    said = Record((Reading(ENERGY, 0.0), Reading(VERSION, "1.3")))
    assert judge.heard(NOON, said, False) == f"{VERSION} is 1.3, was 1.2"


def test_other_fields_after_a_gap_are_told_once() -> None:
    """Five messages in a row with a set of fields that never came before."""
    before = [(n, {VOLTS: 1.0, ENERGY: 5.0}) for n in range(5)]
    after = [(300 + n, {VOLTS: 1.0}) for n in range(20)]
    assert restarts(*before, *after) == ["its messages hold other fields than before the silence"]
    assert restarts(*before, *[(300 + n, {VOLTS: 1.0}) for n in range(3)], (304, {VOLTS: 1.0, ENERGY: 5.0})) == []
