"""What the logger says of a source becomes a finding about the thing that the source speaks for."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.findings import History, StoreEvent
from analysis.results import Finding, StateRun
from analysis.rules import changed_by_itself, instrument_unheard
from analysis.sources import subject_of
from analysis.sun import DAY_MS
from logger.settings import Settings
from tests.analysis import frames

HOUR_MS = 3_600_000
NOON = frames.START + DAY_MS // 2


def with_bus(kind: str = "modbus") -> Settings:
    """Settings with one source of two parts; the second speaks for the controller of array a."""
    where = {"modbus": {"port": "/dev/ttyUSB4"}, "mqtt": {"broker": "127.0.0.1"}, "onewire": {}}[kind]
    names = {"modbus": ("1", "2"), "mqtt": ("barge/bank", "barge/roof"), "onewire": ("28-1", "28-2")}[kind]
    base = frames.settings()
    controller = base.array[0].controller
    channels = []
    for name, channel in zip(names, ("bank.house.voltage", f"controller.{controller}.output_voltage"), strict=True):
        entry = {"node": int(name), "address": 0} if kind == "modbus" else {"field": name}
        channels.append({**entry, "channel": channel})
    data = base.model_dump(exclude_unset=True, by_alias=True, mode="json")
    data["bank"] = data.get("bank") or {"name": "house"}
    data["source"] = [{"name": "roof bus", "kind": kind, **where, "channel": channels}]
    return Settings.model_validate(data)


def history(
    *events: tuple[int, str, str], settings: Settings, states: tuple[StateRun, ...] = (), days: int = 5
) -> History:
    base: dict[str, Any] = dict.fromkeys(("array_days", "loops", "enclosures", "bank_days"), ())
    told = [StoreEvent(t, kind, text, "roof bus") for t, kind, text in events]
    return History(settings=settings, states=states, stop=frames.START + days * DAY_MS, events=told, **base)


def unheard(*events: tuple[int, str, str], settings: Settings, **more: Any) -> list[Finding]:
    return instrument_unheard.found(history(*events, settings=settings, **more))


def test_one_unit_that_is_silent_on_a_bus_is_a_finding_of_what_it_speaks_for() -> None:
    """Open while it lasts, returned when it is heard again; the bus itself is well."""
    settings = with_bus()
    controller = settings.array[0].controller
    fell = (NOON, "part unheard", "node 2: nothing for 610 s while others of its source speak")
    (found,) = unheard(fell, settings=settings)
    assert (found.rule, found.subject, found.state) == (
        "instrument-unheard",
        f"controller.{controller}",
        "unacknowledged",
    )
    assert (found.since, found.until) == (NOON, None)
    back = (NOON + 2 * HOUR_MS, "part heard again", "node 2: heard again after 7200 s")
    (found,) = unheard(fell, back, settings=settings)
    assert (found.state, found.until) == ("returned", NOON + 2 * HOUR_MS)


@pytest.mark.parametrize(
    ("kind", "part", "least"), [("onewire", "sensor 28-2", 1), ("mqtt", "topic barge/roof", 6), ("modbus", "node 2", 1)]
)
def test_a_silence_must_last_by_daylight(kind: str, part: str, least: int) -> None:
    """A topic may say no more than what has changed, so it is given longer; a night is nothing."""
    settings = with_bus(kind)
    begin = NOON - 3 * HOUR_MS
    fell = (begin, "part unheard", f"{part}: nothing for 610 s")
    for minutes, number in ((60 * least - 1, 0), (60 * least + 1, 1)):
        back = (begin + minutes * 60_000, "part heard again", f"{part}: heard again")
        assert len(unheard(fell, back, settings=settings)) == number
    midnight = frames.START + DAY_MS
    night = [(midnight - HOUR_MS, *fell[1:]), (midnight + 2 * HOUR_MS, "part heard again", f"{part}: heard again")]
    assert unheard(*night, settings=settings) == []


def test_sessions_that_tell_of_one_silence_tell_of_one() -> None:
    """Each begins, waits, and tells it once more; it began with the first."""
    fell = "node 2: nothing for 610 s"
    (found,) = unheard((NOON, "part unheard", fell), (NOON + DAY_MS, "part unheard", fell), settings=with_bus())
    assert found.since == NOON


def test_an_array_that_is_silent_with_its_unit_is_told_once() -> None:
    """By the unit, which says where to look."""
    settings = with_bus()
    name = settings.array[0].name
    states = (StateRun(name, NOON, NOON + 3 * HOUR_MS, "unheard", ""),)
    fell = (NOON, "part unheard", "node 2: nothing for 610 s")
    assert [f.subject.partition(".")[0] for f in unheard(fell, settings=settings, states=states)] == ["controller"]
    other = (NOON, "part unheard", "node 1: nothing for 610 s")
    assert sorted(f.subject for f in unheard(other, settings=settings, states=states)) == [
        "bank.house",
        "source.roof bus",
    ]


def test_a_part_that_left_the_settings_is_nobodys_business() -> None:
    """The unit was taken out."""
    assert unheard((NOON, "part unheard", "node 7: nothing for 610 s"), settings=with_bus()) == []


def test_a_restart_is_a_finding_for_three_days() -> None:
    """Of the controller whose version it names; several close together are one."""
    settings = with_bus()
    controller = settings.array[0].controller
    text = f"controller.{controller}.output_voltage is 1.3, was 1.2"
    events = [(NOON, "restarted or updated", text), (NOON + HOUR_MS, "restarted or updated", text)]
    (found,) = changed_by_itself.found(history(*events, settings=settings, days=2))
    assert (found.rule, found.subject, found.state) == (
        "changed-by-itself",
        f"controller.{controller}",
        "unacknowledged",
    )
    (found,) = changed_by_itself.found(history(*events, settings=settings, days=9))
    assert (found.state, found.until) == ("returned", NOON + HOUR_MS + 3 * DAY_MS)
    assert found.summary.startswith("restarted or updated 2 times: ")


def test_a_restart_of_what_speaks_for_many_is_the_sources() -> None:
    """A layout names no channel."""
    told = (NOON, "restarted or updated", "its messages hold other fields than before the silence")
    (found,) = changed_by_itself.found(history(told, settings=with_bus()))
    assert found.subject.startswith("controller.")
    assert subject_of(["air.outside.temperature"], "masthead") == "source.masthead"
    assert subject_of(["bank.house.voltage", "bank.bow.voltage"], "shunts") == "source.shunts"
