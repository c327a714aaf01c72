"""A finding is raised after its delay, cleared past its deadband, and cannot chatter."""

from __future__ import annotations

import dataclasses
import datetime as dt
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.causes import CAUSES
from analysis.diagnosis import BACKGROUND, rank
from analysis.findings import History, spells
from analysis.folding import fold
from analysis.results import ArrayDay, EnclosureEstimate, Finding, LoopEstimate, StateRun
from analysis.rules import (
    enclosure_over_temperature,
    fan_ineffective,
    instrument_unheard,
    loop_resistance,
    yield_shortfall,
)
from analysis.sun import DAY_MS
from tests.analysis import frames

HOUR_MS = 3_600_000


def spelt(text: str, **more: Any) -> list[tuple[str, str | None]]:
    """Spells over a row of letters: b bad, w well, anything else between."""
    marked = list(enumerate(text))
    found = spells(
        marked, bad=lambda m: m[1] in "bB", well=lambda m: m[1] == "w", at_once=lambda m: m[1] == "B", **more
    )
    return [("".join(str(i) for i, _ in s.shown), str(s.returned[0]) if s.returned else None) for s in found]


@pytest.mark.parametrize(
    ("days", "wanted"),
    [
        ("wwww", []),
        ("wbww", []),
        ("wbbw", [("12", None)]),
        ("wbbww", [("12", "3")]),
        ("wb.bww", [("13", "4")]),
        ("wbwbw", []),
        ("wBw", [("1", None)]),
        ("bbwbwbb", [("01356", None)]),
        ("bbwwbb", [("01", "2"), ("45", None)]),
    ],
)
def test_delay_and_deadband(days: str, wanted: list[tuple[str, str | None]]) -> None:
    """Two bad raise, two well in a row clear; between the two nothing changes; so bad that once is enough."""
    assert spelt(days) == wanted


@given(st.text("bw.", max_size=40))
def test_findings_cannot_chatter(days: str) -> None:
    """Between two spells of one subject lie at least two good days: the clearing of the first."""
    ends = [s for s in spelt(days) if s[1] is not None]
    assert len(ends) <= len(days) // 4


def loop(day: int, ohm: float | None, half: float = 0.01, design: float = 0.11) -> LoopEstimate:
    start = frames.START + day * DAY_MS
    low, high = (None, None) if ohm is None else (ohm - half, ohm + half)
    return LoopEstimate(
        "run", start + DAY_MS // 2, start, start + DAY_MS, ohm, low, high, 0.0, design, 5.5, 10.0, 1.0, 500
    )


def history(**more: Any) -> History:
    base: dict[str, Any] = dict.fromkeys(("array_days", "loops", "enclosures", "bank_days", "states"), ())
    return History(settings=frames.settings(), stop=frames.START + 30 * DAY_MS, **(base | more))


def test_a_run_is_found_from_the_day_its_resistance_rose() -> None:
    """Copper explains 110 mΩ, at 70 °C and with its joints 160; 250 and more are a joint: since its first day, cause
    first, the heat in watts, and a fire risk from 3 W on."""
    values = [0.115, 0.113, 0.25, 0.31, 0.36, 0.41]
    (found,) = loop_resistance.found(history(loops=[loop(i, v) for i, v in enumerate(values)]))
    assert found.subject == "cable.run"
    assert found.since == frames.START + 2 * DAY_MS
    assert found.priority == "high"
    assert found.evidence["watts_at_full_current"] == pytest.approx((0.41 - 0.11) * 5.5**2, abs=0.1)
    assert found.causes[0].cause == "series-resistance"


def test_a_hot_sound_run_is_no_finding() -> None:
    """Copper at 70 °C has a fifth more than at 20 °C (IEC 60028: 0.393 % a kelvin)."""
    assert loop_resistance.most_allowed(0.11) > 0.11 * 1.1965
    assert loop_resistance.found(history(loops=[loop(i, 0.131) for i in range(10)])) == []


def test_a_run_that_was_mended_returns() -> None:
    values = [0.3, 0.3, 0.3, 0.115, 0.115]
    (found,) = loop_resistance.found(history(loops=[loop(i, v) for i, v in enumerate(values)]))
    assert (found.state, found.until) == ("returned", frames.START + 3 * DAY_MS)


def box(
    day: int, k_per_w: float | None, peak: float = 40.0, fan: str = "running", over: float = 0.0
) -> EnclosureEstimate:
    start = frames.START + day * DAY_MS
    low, high = (None, None) if k_per_w is None else (0.9 * k_per_w, 1.12 * k_per_w)
    return EnclosureEstimate(
        "box", start, start, start + DAY_MS, fan, k_per_w, low, high, peak, start, 50.0, over, 8.0, 140
    )


def test_a_dead_fan_is_found_in_a_cool_box() -> None:
    """0.45 K/W with the fan, 1.10 without, at 20 °C in the box: found by the ratio alone."""
    values = [0.45, 0.46, 0.44, 0.45, None, 1.08, 1.10, 1.12]
    (found,) = fan_ineffective.found(history(enclosures=[box(i, v, peak=20.5) for i, v in enumerate(values)]))
    assert found.subject == "fan.box"
    assert found.since == frames.START + 5 * DAY_MS
    assert found.evidence["ratio"] == pytest.approx(1.10 / 0.45, rel=0.05)
    assert found.causes[0].cause == "fan-stopped"


def test_a_hot_day_is_no_dead_fan() -> None:
    """42 °C around, 53 °C in the box, the usual K/W: a heat warning, and nothing about the fan."""
    days = [box(i, 0.45) for i in range(5)] + [box(5, 0.46, peak=53.3, over=90.0)]
    assert fan_ineffective.found(history(enclosures=days)) == []
    (found,) = enclosure_over_temperature.found(history(enclosures=days))
    assert (found.subject, found.priority) == ("enclosure.box", "medium")
    assert found.evidence["peak_c"] == 53.3


def test_a_box_without_a_history_says_nothing_of_its_fan() -> None:
    assert fan_ineffective.found(history(enclosures=[box(0, 1.1)])) == []


def test_over_temperature_is_folded_into_the_dead_fan_that_explains_it() -> None:
    days = [box(i, 0.45) for i in range(4)] + [box(i, 1.1, peak=55.0, over=60.0) for i in range(4, 8)]
    story = history(enclosures=days)
    found = [*fan_ineffective.found(story), *enclosure_over_temperature.found(story)]
    (kept,) = fold(found, story.settings)
    assert kept.rule == "fan-ineffective"
    assert kept.evidence["explains"] == ["enclosure-over-temperature enclosure.box"]


def test_an_hour_of_silence_by_day_is_a_finding_a_blink_is_none() -> None:
    def runs(minutes: int) -> list[StateRun]:
        begin = frames.START + 10 * HOUR_MS
        end = begin + minutes * 60_000
        return [
            StateRun("a", frames.START + 6 * HOUR_MS, begin, "unhindered", ""),
            StateRun("a", begin, end, "unheard", ""),
            StateRun("a", end, frames.START + 18 * HOUR_MS, "unhindered", ""),
        ]

    assert instrument_unheard.found(history(states=runs(59))) == []
    (found,) = instrument_unheard.found(history(states=runs(61)))
    assert (found.rule, found.state) == ("instrument-unheard", "returned")
    assert found.until is not None
    assert found.until - found.since == 61 * 60_000


def test_causes_are_ranked_by_what_was_seen() -> None:
    """The same loss: in a few hours of beam light it is shade, at all hours and creeping it is dirt, half of two
    strings from one day to the next is an open string, the same in all arrays is the light sensor."""
    shade = {"covered": 0.0, "evenness": 0.05, "beam_minus_grey": 0.8, "sister_loss": 0.0, "suddenness": 1.0}
    dirt = {"covered": 0.0, "evenness": 1.0, "beam_minus_grey": 0.0, "heavy_minus_light": 0.0, "suddenness": 0.1}
    string = {
        "covered": 0.0,
        "evenness": 1.0,
        "suddenness": 1.0,
        "string_share": 0.0,
        "substring_share": 0.1,
        "sister_loss": 0.0,
    }
    sensor = {"covered": 0.0, "evenness": 1.0, "suddenness": 1.0, "sister_loss": 1.0}
    firsts = [rank("yield-shortfall", f, CAUSES)[0].cause for f in (shade, dirt, string, sensor, {"covered": 1.0})]
    assert firsts == ["shade", "soiling", "open-string", "irradiance-sensor", "snow"]


@given(st.fixed_dictionaries({}, optional={name: st.floats(-1, 2) for name in BACKGROUND}))
def test_probabilities_are_probabilities(features: dict[str, float]) -> None:
    """Whatever is seen: between 0 and 1, in falling order, no more than one in all; every cause has a next check."""
    for rule in ("yield-shortfall", "loop-resistance", "fan-ineffective", "enclosure-over-temperature"):
        ranked = rank(rule, features, CAUSES)
        chances = [c.probability for c in ranked]
        assert chances == sorted(chances, reverse=True)
        assert all(0 <= p <= 1 for p in chances)
        assert sum(chances) <= 1.002
        assert all(c.next_check for c in ranked)


def test_a_finding_is_open_until_it_returns() -> None:
    found = Finding("loop-resistance", "cable.run", "unacknowledged", "high", 0, None, "", {}, ())
    assert found.is_open
    assert not dataclasses.replace(found, state="returned").is_open


# -- a part that changed ---------------------------------------------------------------------------------------------


def changed(day: int, *subjects: str) -> dict[str, list[int]]:
    return {subject: [frames.START + day * DAY_MS] for subject in subjects}


def test_a_new_fan_is_measured_against_itself() -> None:
    """A bigger box warms more for each watt: without the change that were a dead fan, with it a new baseline."""
    days = [box(i, v) for i, v in enumerate([0.45, 0.46, 0.44, 0.80, 0.81, 0.80, 0.79])]
    assert len(fan_ineffective.found(history(enclosures=days))) == 1
    for subject in ("fan.box", "enclosure.box"):
        assert fan_ineffective.found(history(enclosures=days, changes=changed(3, subject))) == []
    assert len(fan_ineffective.found(history(enclosures=days, changes=changed(3, "enclosure.other")))) == 1


def test_a_new_fan_that_dies_is_found_by_its_own_baseline() -> None:
    days = [box(i, v) for i, v in enumerate([0.45, 0.46, 0.30, 0.31, 0.30, 0.60, 0.61, 0.60])]
    (found,) = fan_ineffective.found(history(enclosures=days, changes=changed(2, "fan.box")))
    assert (found.since, found.evidence["baseline_k_per_w"]) == (frames.START + 5 * DAY_MS, 0.31)


def test_a_finding_ends_with_the_change_of_its_subject() -> None:
    """The run was changed: the old finding returns on that day; a joint that is still bad is found anew."""
    values = [0.3, 0.3, 0.3, 0.4, 0.4, 0.4]
    loops = [loop(i, v) for i, v in enumerate(values)]
    one, two = loop_resistance.found(history(loops=loops, changes=changed(3, "cable.run")))
    assert (one.state, one.until) == ("returned", frames.START + 3 * DAY_MS)
    assert (two.state, two.since, two.evidence["first_ohm"]) == ("unacknowledged", frames.START + 3 * DAY_MS, 0.4)


def array_day(day: int, ratio: float) -> ArrayDay:
    start = frames.START + day * DAY_MS
    date = dt.date(2026, 6, 10) + dt.timedelta(day)
    by_light = {"heavy": 600.0, "light": 400.0, "beam": 800.0, "grey": 200.0}
    return ArrayDay(
        "a", date, start, start + DAY_MS, 200.0, ratio * 1000, 1000.0, 970.0, 1030.0, ratio * 1000, 1000.0, 970.0,
        1030.0, 0.0, 0.0, 0.0, None, None, 900.0, 900.0, 500.0, 1.0, "shortfall" if ratio < 0.9 else "healthy", None,
        features={key: [ratio * could, could] for key, could in by_light.items()},
    )  # fmt: skip


def test_suddenness_looks_no_further_back_than_the_last_change_of_the_array() -> None:
    """What fell between two wirings did not fall suddenly: there is no level before to have fallen from."""
    days = [array_day(i, r) for i, r in enumerate([1.0, 1.0, 1.0, 0.8, 0.8, 0.8])]
    (found,) = yield_shortfall.found(history(array_days=days))
    assert found.evidence["features"]["suddenness"] == pytest.approx(1.0, abs=0.05)
    (found,) = yield_shortfall.found(history(array_days=days, changes=changed(3, "array.a")))
    assert "suddenness" not in found.evidence["features"]
    assert found.since == frames.START + 3 * DAY_MS


def test_an_array_is_no_sister_of_its_own() -> None:
    """Alone there is nobody to compare with; beside a sound one, hers is the loss that none other has."""
    days = [array_day(i, r) for i, r in enumerate([1.0, 0.7, 0.7, 0.7])]
    (found,) = yield_shortfall.found(history(array_days=days))
    assert "sister_loss" not in found.evidence["features"]
    sisters = [replace(array_day(i, 1.0), array="b") for i in range(4)]
    (found,) = yield_shortfall.found(history(array_days=sorted([*days, *sisters], key=lambda d: d.start)))
    assert found.evidence["features"]["sister_loss"] == 0.0


def test_one_finding_may_explain_several() -> None:
    """A light sensor that says too much makes every array look short: all of them are folded into it."""
    sensor = Finding("sensor-suspect", "source.sky", "unacknowledged", "medium", 0, None, "", {"gain": 1.25}, ())
    shorts = [
        Finding("yield-shortfall", f"array.{a}", "unacknowledged", "medium", n, None, "", {"lost_fraction": 0.2}, ())
        for n, a in enumerate("ab")
    ]
    (kept,) = fold([*shorts, sensor], frames.settings())
    assert kept.evidence["explains"] == ["yield-shortfall array.a", "yield-shortfall array.b"]
