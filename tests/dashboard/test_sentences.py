"""The sentences: the question is answered first, with a size and a date, and doubt is said as doubt."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from analysis.results import ArrayDay, Finding
from dashboard import sentences
from dashboard.spans import ArraySpan, from_days
from dashboard.writing import LocalTime
from tests.dashboard import story

WHEN = LocalTime(ZoneInfo("Europe/Paris"), round(dt.datetime.fromisoformat(story.NOW).timestamp() * 1000))
DAYS = [d for n in range(story.DAYS) for d in story.day_results(n).array_days]
SPANS = from_days(DAYS)
FOUND = story.findings()
SHORT = next(f for f in FOUND if f.rule == "yield-shortfall")
JOINT = next(f for f in FOUND if f.rule == "loop-resistance")


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


def span(**changed: object) -> ArraySpan:
    light = {dt.date(2026, 6, n): 4000.0 for n in range(1, 15)}
    whole = ArraySpan("cabin", 55_000, 56_000, 0.98, 0.94, 1.02, 0.0, 0.0, 1.0, "healthy", light)
    return replace(whole, **changed)  # type: ignore[arg-type]


def test_a_shortfall_is_not_the_weather() -> None:
    """The first sentence names the array, its share, since when, and at what time of day."""
    assert plain(sentences.headline(SPANS, FOUND, WHEN)) == (
        "Not the weather: the cabin array has given 78 % of what the light allowed since 16 June, "
        "lost mostly in the afternoon (shade, most likely)."
    )


def test_two_weak_arrays_are_both_named_the_older_first() -> None:
    """Nobody has to guess which side is weak."""
    dead = replace(SHORT, rule="array-dead", subject="array.gantry", since=SHORT.since - 86_400_000, evidence={})
    said = plain(sentences.headline(SPANS, [SHORT, dead], WHEN))
    assert said.startswith("Not the weather: the gantry array has given nothing since 15 June and the cabin array has")


def test_a_covered_array_is_said_to_be_covered() -> None:
    """Snow is no fault of the array's."""
    cover = replace(SHORT, evidence={"covered_wh": 3200.0, "lost_fraction": 1.0})
    assert "the cabin array has lain covered since 16 June" in plain(sentences.headline(SPANS, [cover], WHEN))
    assert plain(sentences.finding_line(cover)) == "covered, 3,200 Wh lost"


def test_a_fault_elsewhere_leaves_the_arrays_sound() -> None:
    """Where the arrays are well the sentence says so before it names what is not."""
    said = plain(sentences.headline([span()], [JOINT], WHEN))
    assert said == (
        "The cabin array got 98 % of what the light allowed, but something else is wrong: "
        "bad joint or thin cable, +433 mΩ, gantry home run, since 13 June."
    )


def test_a_cloudy_week_is_the_weather() -> None:
    """Thin light and a full share of it: the weather, and how much of it."""
    grey = {dt.date(2026, 6, n): (4000.0 if n < 8 else 900.0) for n in range(1, 15)}
    assert plain(sentences.headline([span(light=grey)], [], WHEN)) == (
        "It was the weather: the cabin array got 98 % of what the light allowed, "
        "and on seven days of 14 the light allowed less than half of the best day."
    )


def test_a_full_bank_is_no_fault() -> None:
    """What a full bank could not take is told as such, with its size."""
    assert plain(sentences.headline([span(curtailed_wh=6400.0)], [], WHEN)) == (
        "Nothing is wrong: the cabin array got 98 % of what the light allowed whenever free to give all; "
        "could have taken 6,400 Wh more: bank full."
    )


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"verdict": "cannot tell", "ratio": 0.54}, "A bright hour with the bank below full would settle it."),
        ({"ratio": None, "completeness": 0.9}, "A bright hour with the bank below full would settle it."),
        ({"ratio": None, "completeness": 0.2, "silent": 0.8}, "A day with every instrument speaking would settle it."),
        (
            {"ratio": None, "completeness": 0.0, "silent": 0.0},
            "A light sensor (irradiance.horizontal.global) would settle it.",
        ),
    ],
)
def test_cannot_tell_says_what_would_settle_it(changed: dict[str, object], says: str) -> None:
    """Doubt comes with its cure."""
    said = sentences.headline([span(**changed)], [], WHEN)
    assert said.startswith("Cannot tell yet: ")
    assert said.endswith(says)


def test_a_returned_finding_does_not_spoil_the_verdict() -> None:
    """What is over does not stand in the first sentence."""
    over = replace(SHORT, state="returned", until=SHORT.since + 3_600_000)
    assert sentences.headline([span()], [over], WHEN).startswith("Nothing is wrong: ")


def test_the_span_judges_by_unhindered_hours_alone() -> None:
    """A bank that was full for days does not lower the share."""
    gantry = next(s for s in SPANS if s.name == "gantry")
    assert gantry.ratio == pytest.approx(0.985, abs=0.01)
    assert (gantry.measured_wh or 0) / (gantry.expected_wh or 1) < 0.9
    assert (gantry.low or 0) < (gantry.ratio or 0) < (gantry.high or 0)


@pytest.mark.parametrize(
    ("number", "array", "says"),
    [(3, "cabin", "bank full, 1,646 Wh"), (6, "gantry", "snow, 229 Wh"), (12, "cabin", "shade"), (5, "gantry", "")],
)
def test_the_almanac_says_what_held_a_day_back(number: int, array: str, says: str) -> None:
    """In a word or two with its size; nothing where nothing did."""
    day = next(d for d in story.day_results(number).array_days if d.array == array)
    assert plain(sentences.held_back(day)) == says


def test_a_short_day_borrows_the_cause_of_its_finding() -> None:
    """Where the day itself knows no cause the likeliest of the notice stands in the row; a healthy day stays blank."""
    short, well = story.day_results(12).array_days
    assert sentences.held_back(replace(short, cause=None), "soiling") == "dirt"
    assert sentences.held_back(replace(short, cause=None)) == ""
    assert sentences.held_back(well, "soiling") == ""


def test_the_harvest_is_told_against_the_light() -> None:
    """Got, of what, and what became of the rest."""
    said = plain(sentences.harvest(SPANS, 14))
    assert said.startswith("In 14 days she got 66.8 kWh of the 80.4 kWh that the light allowed; ")
    assert said.endswith("found no room in bank or controller.")


def test_a_harvest_without_knowledge_invents_none() -> None:
    """Nothing known is never shown as nothing got."""
    assert sentences.harvest([span(measured_wh=None, expected_wh=None)], 3).startswith("Cannot tell what three days")


def test_a_run_that_cannot_be_measured_names_what_would_settle_it() -> None:
    """The missing channel is named as the settings write it."""
    assert sentences.leg(None, ["array.cabin.module_voltage"]) == (
        "cannot tell: array.cabin.module_voltage would settle it"
    )
    assert "an hour or two with current" in sentences.leg(None, [])


def test_notices_count_what_stands_and_what_is_over() -> None:
    """The number in force comes first; of equals the worst is named."""
    assert plain(sentences.notices(FOUND)) == (
        "Three notices are in force; see first to this one. Gantry home run: bad joint or thin cable, +433 mΩ."
    )
    assert sentences.notices([]) == "No notice is in force."
    over = [f for f in FOUND if not f.is_open]
    assert sentences.notices(over) == "No notice is in force. One notice in this span was cancelled."


def test_a_notice_that_is_over_says_cancelled() -> None:
    """With both its dates."""
    over = next(f for f in FOUND if not f.is_open)
    assert plain(sentences.in_force(over, WHEN)) == "cancelled 12 June 17:24, raised 12 June 15:12"


@pytest.mark.parametrize("finding", FOUND, ids=lambda f: f.rule)
def test_a_finding_without_evidence_still_reads(finding: Finding) -> None:
    """A rule that gives no figures gives a sentence all the same."""
    said = sentences.finding_line(replace(finding, evidence={}))
    assert said
    assert "None" not in said


def test_an_empty_day_list_gives_no_span() -> None:
    """No days, no spans."""
    nothing: list[ArrayDay] = []
    assert from_days(nothing) == []
    assert sentences.headline([], [], WHEN) == sentences.NOT_JUDGED


@pytest.mark.parametrize(
    ("evidence", "line"),
    [
        ({"found_by": "clear days", "lost_fraction": 0.08}, "lost 8 % from clear day to clear day"),
        (
            {
                "found_by": "hours of the sun",
                "hours": "from 3 to 1 hour before noon",
                "lost_wh": 900.0,
                "days": ["x"] * 3,
            },
            "dips from 3 to 1 hour before noon, 300 Wh a clear day",
        ),
    ],
)
def test_slight_shortfalls_say_by_what_they_were_found(evidence: dict[str, Any], line: str) -> None:
    """In a notice, and in the first sentence instead of a ratio of the whole span."""
    slight = replace(SHORT, evidence=evidence)
    assert plain(sentences.finding_line(slight)) == line
    assert f"the cabin array {line}, since" in plain(sentences.headline(SPANS, [slight], WHEN))


def test_an_excess_is_told_with_its_size() -> None:
    """It is something else than a fault of the array's: the arrays' shares come first."""
    excess = replace(SHORT, rule="yield-excess", evidence={"excess_ratio": 1.35})
    assert plain(sentences.finding_line(excess)) == "gave 135 % of what its settings allow"
    assert "something else is wrong" in sentences.headline(SPANS, [excess], WHEN)
