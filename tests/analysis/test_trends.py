"""How an array holds up: the slope of its clear days between cleanings, its interval, and what is no trend at all."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import theilslopes

from analysis import trends
from analysis.findings import History
from analysis.results import ArrayDay, Note
from analysis.rules import yield_shortfall
from analysis.sun import DAY_MS
from tests.analysis import frames
from tests.analysis.test_findings import array_day

FIRST = dt.date(2026, 6, 10)


def made(
    seed: int, slope: float = -0.002, noise: float = 0.01, clear: float = 0.5, washed: tuple[int, ...] = (), n: int = 60
) -> list[ArrayDay]:
    """Days of which some are clear: dirt that settles evenly, and is gone on each day of a wash."""
    random = np.random.default_rng(seed)
    days = []
    for i in range(n):
        since = i - max((w for w in washed if w <= i), default=0)
        ratio = 1.0 + slope * since + noise * random.standard_normal()
        could = 500.0 if random.random() < clear else 20.0
        days.append(replace(array_day(i, 1.0), features={"beam": [ratio * could, could]}, evidence="horizontal"))
    return days


def note(day: int, text: str, tags: str = "") -> Note:
    return Note(frames.START + day * DAY_MS + DAY_MS // 2, text, tags)


def test_the_slope_is_that_of_theil_and_sen_where_nothing_was_washed() -> None:
    """scipy.stats.theilslopes is the reference; its interval is that of Sen (1968), without regard to neighbours."""
    days = made(3)
    found = trends.of_array("a", days)
    t = [p.day.toordinal() for p in found.points]
    reference = theilslopes([p.ratio for p in found.points], t, 0.95)
    assert found.slope == pytest.approx(reference.slope, abs=1e-9)
    assert found.low is not None
    assert found.high is not None
    assert found.high - found.low >= (reference.high_slope - reference.low_slope) * 0.9
    assert found.verdict == "soiling"


def test_the_interval_holds_the_true_slope() -> None:
    """0.2 % a day, washed once and told in the logbook, half of the days clear: 19 in 20 of 100 records, within 2 in
    20; nearly all of them say so."""
    held = said = 0
    for seed in range(100):
        found = trends.of_array("a", made(seed, washed=(30,)), [note(29, "washed the modules")])
        assert found.low is not None
        assert found.high is not None
        held += found.low <= -0.002 <= found.high
        said += found.verdict == "soiling"
    assert held >= 85
    assert said >= 95


def test_a_wash_that_nobody_wrote_down_is_seen_all_the_same() -> None:
    """Six per cent come back from one clear day to the next; no note explains them. Nine in ten on the very day."""
    told = [trends.of_array("a", made(seed, washed=(30,))) for seed in range(40)]
    found = [trend for trend in told if any(step.rise > 0.03 and step.note is None for step in trend.steps)]
    assert len(found) >= 36
    days = [max(trend.steps, key=lambda s: s.rise).day - FIRST for trend in found]
    assert sum(28 <= d.days <= 34 for d in days) >= 0.9 * len(found)


def test_a_note_in_the_logbook_explains_the_step() -> None:
    found = trends.of_array("a", made(1, washed=(30,)), [note(29, "Washed both sides with fresh water")])
    (step,) = [s for s in found.steps if s.rise > 0.03]
    assert step.note == "Washed both sides with fresh water"


@pytest.mark.parametrize(
    ("text", "tags", "is_cleaning"),
    [
        ("washed the modules", "", True),
        ("Rinsed salt off", "array.a", True),
        ("cleaned", "array.other", False),
        ("", "washed,array.a", True),
        ("new fuse in the box", "array.a", False),
        ("whose whisk?", "", False),
    ],
)
def test_which_notes_tell_of_cleaning(text: str, tags: str, is_cleaning: bool) -> None:
    """By a word of it in text or tags; of all arrays where no subject is named."""
    assert trends.tells_cleaning(note(0, text, tags), "a") is is_cleaning


def test_a_sound_array_has_no_trend() -> None:
    """Sixty records without dirt: none soils, nearly all are steady."""
    told = [trends.of_array("a", made(seed, slope=0.0)).verdict for seed in range(60)]
    assert told.count("soiling") + told.count("rising") <= 1
    assert told.count("steady") >= 55


def test_few_clear_days_cannot_tell() -> None:
    """Five clear days, or a week of them: no slope, no interval, and the verdict says so."""
    for days in (made(1, clear=1.0, n=5), made(1, clear=1.0, n=8), [], made(1, clear=0.0)):
        found = trends.of_array("a", days)
        assert (found.slope, found.low, found.high, found.soiled, found.verdict) == (None,) * 4 + ("cannot tell",)


def test_a_changed_array_begins_a_new_baseline() -> None:
    """Only the days since count, and a change after the days asked for does not."""
    days = made(1)
    found = trends.of_array("a", days, changes=[days[40].start, days[-1].start + DAY_MS])
    assert found.points[0].day >= days[40].day


def test_without_a_light_sensor_the_clear_sky_is_the_measure() -> None:
    """Of days that the sister arrays judged, those near the best of the days around: the slope is found there too."""
    random = np.random.default_rng(5)
    days = []
    for i in range(60):
        cloud = 1.0 if random.random() < 0.5 else random.uniform(0.2, 0.85)
        index = 0.95 * cloud * (1.0 - 0.002 * i) * (1.0 + 0.005 * random.standard_normal())
        days.append(
            replace(
                array_day(i, 1.0), judged_measured_wh=1000.0 * index, judged_high_wh=1000.0, evidence="sister arrays",
                features={"beam": [0.0, 0.0]},
            )
        )  # fmt: skip
    found = trends.of_array("a", days)
    assert found.basis == trends.CLEAR_SKY
    assert found.verdict == "soiling"
    assert found.slope == pytest.approx(-0.0019, abs=0.0005)


def short_days(*ratios: float) -> list[ArrayDay]:
    return [replace(array_day(i, r), evidence="horizontal") for i, r in enumerate(ratios)]


def test_dirt_that_crept_in_and_was_washed_off_is_ranked_first() -> None:
    """Seven weeks of 0.4 % a day, washed, and all is well: the slope explains the loss and the wash proves it. Of a
    fault that came from one day to the next neither holds."""
    crept = short_days(*(1.0 - 0.004 * i for i in range(50)), *([1.0] * 6))
    (finding,) = yield_shortfall.found(_history(crept, [note(50, "washed the modules")]))
    assert finding.causes[0].cause == "soiling"
    assert finding.evidence["features"]["washed"] > 0.7
    assert finding.evidence["features"]["creep"] > 0.5
    fell = short_days(*([1.0] * 20), *([0.8] * 12))
    (finding,) = yield_shortfall.found(_history(fell, []))
    assert finding.evidence["features"].get("creep", 0.0) < 0.1
    assert "washed" not in finding.evidence["features"]


def _history(days: list[ArrayDay], notes: list[Note]) -> History:
    return History(
        settings=frames.settings(), array_days=days, loops=(), enclosures=(), bank_days=(), states=(),
        stop=days[-1].stop, notes=notes,
    )  # fmt: skip
