"""The sheets in the terminal: 80 columns, the pages' sentences, and the one next act as the last line."""

from __future__ import annotations

import dataclasses
import datetime as dt
from typing import Any

import pytest

from analysis import trends
from analysis.report import finding_entry
from analysis.report_trends import trend_entry, twin_entries
from dashboard.spans import from_days
from dashboard.terminal import assess_text, findings_text
from tests.dashboard import story

FOUND = story.findings()


def verdict() -> dict[str, Any]:
    days = [d for n in range(story.DAYS) for d in story.day_results(n).array_days]
    arrays = []
    for span in from_days(days):
        mine = [d for d in days if d.array == span.name]
        arrays.append(
            {
                "name": span.name, "measured_wh": span.measured_wh, "expected_wh": span.expected_wh,
                "judged_ratio": span.ratio, "judged_ratio_low": span.low, "judged_ratio_high": span.high,
                "curtailed_wh": span.curtailed_wh, "covered_wh": span.covered_wh, "completeness": span.completeness,
                "verdict": "healthy", "trend": trend_entry(trends.of_array(span.name, mine)), "facing": None,
                "days": [
                    {"date": d.day.isoformat(), "expected_wh": d.expected_wh, "verdict": d.verdict, "states": d.states}
                    for d in mine
                ],
            }
        )  # fmt: skip
    loop = story.day_results(13).loops[1]
    return {
        "site": "Lapwing", "from": "2026-06-05", "to": "2026-06-18", "method": "test", "arrays": arrays,
        "wiring": [dataclasses.asdict(loop) | {"name": loop.cable}, {"name": "spare", "ohm": None}],
        "enclosures": [{"name": "electrics", "peak_c": 45.8, "limit_c": 50.0, "ceiling_c": None}],
        "bank": {"name": "house", "state_of_charge": 64.0, "autonomy_h": 58.0},
        "findings": [finding_entry(f) for f in FOUND],
        "alike": [],
        "twins": twin_entries([t for n in range(story.DAYS) for t in story.day_results(n).twins], {}),
    }  # fmt: skip


@pytest.mark.parametrize("width", [80, 60, 40])
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    """The sheet fits, whatever the width, and holds no character that a narrow terminal would misjudge."""
    wordy = verdict()
    wordy["arrays"][0]["name"] = "starboard-quarter-rail-and-bimini"
    wordy["wiring"][0]["name"] = "from the starboard quarter rail through the lazarette to the electrics"
    lines = assess_text(wordy, width, "Europe/Paris").splitlines()
    assert max(map(len, lines)) <= width
    assert not any("\u00a0" in line or line != line.rstrip() for line in lines)


def test_what_lasts_is_said_below_the_table() -> None:
    """The slope of an array that soils, the steps and what explains them, and the two sides under grey skies."""
    told = verdict()
    told["arrays"][0]["trend"] |= {
        "verdict": "soiling", "slope_percent_per_day": -0.2, "slope_low_percent_per_day": -0.26,
        "slope_high_percent_per_day": -0.14, "soiled_percent": 4.2,
        "steps": [{"date": "2026-06-01", "rise_percent": 6.3, "explained_by": "washed the modules"}],
    }  # fmt: skip
    flat = " ".join(assess_text(told, timezone="Europe/Paris").split())
    assert "On clear days the cabin array gives less from day to day, 0.14 to 0.26 %: 4 % since 1 June." in flat
    assert "Cabin array, 1 June: up 6 %; the logbook says: washed the modules." in flat
    assert "the cabin array got 100 % (97 to 103) of what the gantry array got for its size" in flat


def test_a_box_that_is_held_says_where() -> None:
    told = verdict()
    told["enclosures"][0]["ceiling_c"] = 44.6
    flat = " ".join(assess_text(told, timezone="Europe/Paris").split())
    assert "electrics box: at most 46 °C, limit 50 °C; held at about 45 °C, as by its fan" in flat


def test_assess_opens_with_the_verdict_and_ends_with_the_next_act() -> None:
    """Question, answer, evidence, and what to do."""
    text = assess_text(verdict(), timezone="Europe/Paris")
    flat = " ".join(text.split())
    assert "Not the weather: the cabin array has given 78 % of what the light allowed since 16 June" in flat
    assert "gantry home run: 546 mΩ (538 to 554), drawn 118 mΩ" in text
    assert "Before you touch anything: gantry home run: up to 32 W of heat" in flat
    assert "Next, between deck and box; take: meter. Feel each plug of the gantry home run" in flat
    assert flat.endswith("above 3 A.")


def test_cautions_stand_above_the_act() -> None:
    """Nobody reads the act without its caution."""
    flat = " ".join(assess_text(verdict()).split())
    assert flat.index("Array wires are live in any light.") < flat.index("Next, between deck and box")


def test_nothing_wrong_ends_with_nothing_to_do() -> None:
    """A quiet fortnight is told in full all the same."""
    text = assess_text(verdict() | {"findings": []})
    assert text.splitlines()[-1] == "Nothing to do."
    assert findings_text([], "Europe/Paris").splitlines() == ["No notice is in force.", "Nothing to do."]


def test_an_empty_store_says_so() -> None:
    """No day judged: no table of nothings."""
    empty = {"site": "Lapwing", "from": None, "to": None, "arrays": [], "wiring": [], "enclosures": [], "bank": None,
             "findings": []}  # fmt: skip
    assert assess_text(empty).splitlines()[-2:] == ["Nothing has been judged yet.", "Record or import something first."]


def test_unknowns_are_said_not_shown_as_nought() -> None:
    """An array that cannot be judged says so in its row."""
    doubt = verdict()
    doubt["arrays"][0] |= dict.fromkeys(("judged_ratio", "judged_ratio_low", "judged_ratio_high", "measured_wh"))
    row = next(line for line in assess_text(doubt).splitlines() if line.startswith("cabin"))
    assert "not known" in row
    assert "cannot tell" in row


def test_findings_are_listed_with_number_date_and_likeliest_cause() -> None:
    """A notice in the terminal reads as on its page."""
    numbered = [dataclasses.replace(f, id=n) for n, f in enumerate(FOUND, 1)]
    text = findings_text(numbered, "Europe/Paris")
    assert "  2  Gantry home run: bad joint or thin cable, +433 mΩ" in text
    assert "     in force since 13 June; see to it now" in text
    assert "     most likely: bad joint, 81 %, or water in a joint, 14 %" in text
    assert "cancelled 12 June 17:24, raised 12 June 15:12" in text
    assert max(map(len, text.splitlines())) <= 80


def test_times_are_the_sites() -> None:
    """The same finding an hour further east reads an hour later."""
    assert dt.datetime.fromtimestamp(FOUND[0].since / 1000, dt.UTC).hour == 13
    assert "raised 12 June 13:12" in findings_text(FOUND, "UTC")
    assert "raised 12 June 16:12" in findings_text(FOUND, "Europe/Athens")


def test_a_notice_stands_beside_the_verdict_of_the_span() -> None:
    """A span may be healthy as a whole and its end is not: the table points to the notice."""
    told = verdict()
    against = next(f for f in told["findings"] if f["rule"] == "yield-shortfall" and f["state"] == "unacknowledged")
    assert f"but see notice No. {against['id']}" in assess_text(told, timezone="Europe/Paris")
    against["state"] = "returned"
    assert "but see notice" not in assess_text(told, timezone="Europe/Paris")
