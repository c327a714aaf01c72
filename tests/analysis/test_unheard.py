"""What is not heard: a plug that came out, a source never right, and a clock that hides one end of each day."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from analysis.assess import assess
from analysis.folding import fold
from analysis.report import verdict
from analysis.results import Finding, StateRun
from analysis.results_reading import Results
from analysis.rules import instrument_unheard
from analysis.sun import DAY_MS
from fixtures.lapwing.history import history_csv
from fixtures.lapwing.kit import settings_text
from fixtures.lapwing.story import Story
from fixtures.lapwing.vessel import sail
from logger import schema
from logger.importing import bring_in, choose
from logger.settings_file import plan, read
from logger.store import open_reader, open_writer
from tests.analysis import frames
from tests.analysis.test_findings import history

HOUR_MS = 3_600_000
# Hours of light of the made-up days.
DAWN, DUSK = 6, 18


def day(n: int, *spells: tuple[float, float, str], array: str = "a") -> list[StateRun]:
    """One day's states by its hours; nights are not among what rules look at."""
    start = frames.START + n * DAY_MS
    return [
        StateRun(array, start + round(begin * HOUR_MS), start + round(end * HOUR_MS), state, "")
        for begin, end, state in spells
    ]  # fmt: skip


def evening(n: int, array: str = "a", from_hour: float = 15.0) -> list[StateRun]:
    return day(n, (DAWN, from_hour, "unhindered"), (from_hour, DUSK, "unheard"), array=array)


def morning(n: int, array: str = "a") -> list[StateRun]:
    return day(n, (DAWN, 8, "unheard"), (8, DUSK, "unhindered"), array=array)


def whole(n: int, state: str, array: str = "a") -> list[StateRun]:
    return day(n, (DAWN, DUSK, state), array=array)


def found(*runs: list[StateRun], days: int = 9) -> list[Finding]:
    states = [run for part in runs for run in part]
    return instrument_unheard.found(replace(history(states=states), stop=frames.START + days * DAY_MS))


def test_silences_at_one_end_of_each_day_are_one_finding() -> None:
    """Nine evenings of three hours: told once, since the first, and a wrong clock comes before a plug."""
    (told,) = found(*(evening(n) for n in range(9)))
    assert (told.since, told.until) == (frames.START + 15 * HOUR_MS, None)
    assert told.evidence["each_day"] == "evening"
    assert (told.evidence["silent_days"], told.evidence["daylight_minutes"]) == (9, 9 * 180)
    assert told.causes[0].cause == "clock-or-position"


def test_a_zone_that_was_put_right_ends_it() -> None:
    """Two days and a half without such a silence: it is over since the last one."""
    (told,) = found(*(morning(n) for n in range(5)), *(whole(n, "unhindered") for n in range(5, 9)))
    assert (told.state, told.until) == ("returned", frames.START + 4 * DAY_MS + 8 * HOUR_MS)


def test_two_evenings_are_two_silences() -> None:
    """No habit yet: each by itself, a plug or a supply first."""
    told = found(evening(0), evening(1), *(whole(n, "unhindered") for n in range(2, 9)))
    assert len(told) == 2
    assert {f.causes[0].cause for f in told} == {"wiring-error"}


def test_silent_at_both_ends_of_each_day_is_no_wrong_clock() -> None:
    """An instrument that sleeps while the light is dim is silent before and after: no clock hides both ends."""
    both = [day(n, (DAWN, 8, "unheard"), (8, 16, "unhindered"), (16, DUSK, "unheard")) for n in range(9)]
    told = [f for f in found(*both) if "each_day" in f.evidence]
    assert [f.evidence["each_day"] for f in told] == ["evening and morning"]
    assert told[0].causes[0].cause != "clock-or-position"


def test_silence_around_noon_is_no_matter_of_the_ends() -> None:
    """A hot box may stop an instrument each noon: a clock does not."""
    noon = [day(n, (DAWN, 11, "unhindered"), (11, 13, "unheard"), (13, DUSK, "unhindered")) for n in range(5)]
    assert all("each_day" not in f.evidence for f in found(*noon))


def test_what_was_never_heard_is_looked_for_in_the_settings() -> None:
    """Not a word in nine days while the other array speaks: line, address or fields. One that spoke for days and then
    fell silent has lost its plug or its supply."""
    other = [whole(n, "unhindered", "b") for n in range(9)]
    (never,) = found(*(whole(n, "unheard") for n in range(9)), *other)
    assert never.causes[0].cause == "wrong-setting"
    assert "listen" in never.causes[0].next_check
    spoke = [whole(n, "unhindered") for n in range(4)]
    (fell,) = found(*spoke, *(whole(n, "unheard") for n in range(4, 9)), *other)
    assert fell.causes[0].cause == "wiring-error"
    assert fell.causes[0].probability > 0.5


@pytest.mark.parametrize(
    ("evidence", "shift", "kept"),
    [
        ({"each_day": "evening"}, -180.0, 1),
        ({"each_day": "evening"}, 20.0, 2),
        ({}, -180.0, 2),
    ],
)
def test_a_clock_that_is_hours_off_explains_the_ends_of_days_alone(
    evidence: dict[str, Any], shift: float, kept: int
) -> None:
    told = [
        Finding("clock-suspect", "clock", "unacknowledged", "medium", 0, None, "", {"noon_shift_min": shift}, ()),
        Finding("instrument-unheard", "source.s", "unacknowledged", "medium", 0, None, "", evidence, ()),
    ]
    assert len(fold(told, frames.settings())) == kept


# -- the barge's own history, its stamps taken for another zone ---------------------------------------------------


@pytest.fixture(scope="module")
def rows() -> str:
    """A week, rows only while there is light, as instruments that sleep at night write; stamps without a zone."""
    story = Story.told(7, healthy=True)
    head, *lines = history_csv(story, sail(story)).splitlines(keepends=True)
    light = head.split(",").index("light W/m2")
    lit = [line for line in lines if float(line.split(",")[light] or 0.0) > 3.0]
    return "".join([head, *(line.replace("Z,", ",", 1) for line in lit)])


@pytest.mark.parametrize(("zone", "minutes"), [("UTC", None), ("UTC+3", -180.0), ("UTC-4", 240.0)])
def test_a_wrong_zone_is_one_finding_the_clocks(tmp_path: Path, rows: str, zone: str, minutes: float | None) -> None:
    """Hours off, every evening or morning lacks its words and every array seems to do what no array does: one notice
    says so, and none is raised where the zone is right."""
    text = settings_text("full")
    at = text.index('name = "history"')
    (tmp_path / "noonmark.toml").write_text(
        text[:at] + text[at:].replace('zone = "UTC"', f'zone = "{zone}"'), encoding="utf-8"
    )
    (tmp_path / "history.csv").write_text(rows, encoding="utf-8")
    located = read(tmp_path / "noonmark.toml")
    schema.prepare(located.store_path)
    ours = plan(located)
    with closing(open_writer(located.store_path)) as connection:
        for file, source in choose(ours, [tmp_path / "history.csv"], "history"):
            list(bring_in(connection, ours, [(file, source)], 1_790_000_000_000))
    assess(located)
    with closing(open_reader(located.store_path)) as connection:
        told = verdict(Results(connection), located.settings)["findings"]
    if minutes is None:
        assert told == []
        return
    (clock,) = told
    assert clock["rule"] == "clock-suspect"
    assert clock["evidence"]["noon_shift_min"] == pytest.approx(minutes, abs=5.0)
    assert {item.partition(" ")[0] for item in clock["evidence"]["explains"]} >= {"instrument-unheard"}
