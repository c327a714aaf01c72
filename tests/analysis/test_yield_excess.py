"""An array that gives far more than its settings allow is told, with what is wrong: drawing, meter or light sensor."""

from __future__ import annotations

import re
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from analysis.assess import assess
from analysis.counted import CounterDay
from analysis.folding import fold
from analysis.report import verdict
from analysis.results import (
    ArrayDay,
    Finding,
)
from analysis.results_light import LightDay
from analysis.results_reading import Results
from analysis.rules import yield_excess
from analysis.sun import DAY_MS
from fixtures.lapwing.history import history_csv
from fixtures.lapwing.kit import Kit, settings_text
from fixtures.lapwing.story import Story
from fixtures.lapwing.vessel import sail
from logger import schema
from logger.importing import bring_in, choose
from logger.settings_file import plan, read
from logger.store import open_reader, open_writer
from tests.analysis import frames
from tests.analysis.test_findings import array_day, changed, history

NOW = 1_790_000_000_000  # after the story


def day(n: int, ratio: float, array: str = "a", judging: float = 500.0, **more: Any) -> ArrayDay:
    return replace(array_day(n, ratio), array=array, judging_min=judging, evidence="horizontal", **more)


def days(*ratios: float, **more: Any) -> list[ArrayDay]:
    return [day(n, ratio, **more) for n, ratio in enumerate(ratios)]


def test_three_days_far_above_raise_it() -> None:
    """Half as much again as the light allows: from its first day on, of medium priority, with its size."""
    (found,) = yield_excess.found(history(array_days=days(1.0, 1.5, 1.5, 1.5)))
    assert (found.rule, found.subject, found.priority) == ("yield-excess", "array.a", "medium")
    assert (found.since, found.until) == (frames.START + DAY_MS, None)
    assert found.evidence["excess_ratio"] == pytest.approx(1.5)


@pytest.mark.parametrize(
    "ratios",
    [(1.5, 1.5), (1.09, 1.09, 1.09, 1.09), (1.5, 1.0, 1.5, 1.0, 1.5)],
    ids=["two days", "within the interval", "never three in a row"],
)
def test_what_the_interval_or_two_days_may_explain_is_none(ratios: tuple[float, ...]) -> None:
    assert yield_excess.found(history(array_days=days(*ratios))) == []


def test_minutes_of_light_are_no_days() -> None:
    """Under an hour of judging light a ratio is a number and no verdict."""
    assert yield_excess.found(history(array_days=days(*[1.5] * 6, judging=50.0))) == []


def test_settings_put_right_end_it() -> None:
    """Two days as the light allows, or the array drawn anew."""
    (found,) = yield_excess.found(history(array_days=days(1.5, 1.5, 1.5, 1.0, 1.0)))
    assert (found.state, found.until) == ("returned", frames.START + 3 * DAY_MS)
    one, two = yield_excess.found(history(array_days=days(*[1.5] * 6), changes=changed(3, "array.a")))
    assert (one.until, two.until) == (frames.START + 3 * DAY_MS, None)


def first_cause(**more: Any) -> str:
    (found, *_) = yield_excess.found(history(**more))
    return found.causes[0].cause


def light_days(gain: float, n: int = 5) -> list[LightDay]:
    start = frames.START
    return [
        LightDay("irradiance.horizontal.global", day(i, 1.0).day, start + i * DAY_MS, start + (i + 1) * DAY_MS, 0.0,
                 200.0, gain, None, None)
        for i in range(n)
    ]  # fmt: skip


def test_all_arrays_together_point_to_the_light_sensor() -> None:
    """One array alone is a matter of its own drawing or meter."""
    both = days(*[1.4] * 5) + days(*[1.38] * 5, array="b")
    assert first_cause(array_days=both) == "irradiance-sensor"
    alone = days(*[1.4] * 5) + days(*[1.0] * 5, array="b")
    assert first_cause(array_days=alone) == "wrong-setting"


def test_the_clear_sky_clears_the_light_sensor_or_blames_it() -> None:
    """A single array cannot be compared with others; the sky can."""
    assert first_cause(array_days=days(*[1.4] * 5), light_days=light_days(1.01)) == "wrong-setting"
    assert first_cause(array_days=days(*[1.4] * 5), light_days=light_days(0.72)) == "irradiance-sensor"


@pytest.mark.parametrize(("counted", "cause"), [(100.0 / 1.4, "sensor-gain"), (100.0, "wrong-setting")])
def test_the_controllers_own_counter_parts_a_meter_from_the_drawing(counted: float, cause: str) -> None:
    """It counted what the light allows: amps are read too high. As much as volts and amps: more is fitted."""
    counters = [CounterDay("c", frames.START + n * DAY_MS, counted, 100.0) for n in range(5)]
    assert first_cause(array_days=days(*[1.4] * 5), counters=counters) == cause


def test_hours_far_apart_under_beam_point_to_tilt_and_bearing() -> None:
    """Twice the light in the morning, as drawn in the afternoon, and nothing under cloud."""
    features = {
        "by_hour": {"-3": [600.0, 300.0], "0": [560.0, 400.0], "3": [300.0, 300.0]},
        "beam": [1260.0, 800.0], "grey": [200.0, 200.0],
    }  # fmt: skip
    assert first_cause(array_days=days(*[1.4] * 5, features=features)) == "wrong-orientation"


def finding(rule: str, subject: str, **evidence: Any) -> Finding:
    return Finding(rule, subject, "unacknowledged", "medium", 0, None, "", evidence, ())


def test_what_an_instrument_explains_is_folded_into_it() -> None:
    """A light sensor of 0.72 explains 1.38 times the light, not twice; a counter of 0.72 of the same controller too."""
    for instrument in (
        finding("sensor-suspect", "source.sky", gain=0.72), finding("meters-disagree", "controller.c", ratio=0.72),
    ):  # fmt: skip
        (kept,) = fold([finding("yield-excess", "array.a", excess_ratio=1.38), instrument], frames.settings())
        assert kept.evidence["explains"] == ["yield-excess array.a"]
        assert len(fold([finding("yield-excess", "array.a", excess_ratio=2.0), instrument], frames.settings())) == 2


@pytest.mark.parametrize(
    ("evidence", "kept"),
    [
        ({"lost_fraction": 0.3, "grey_against": "array.a"}, 1),
        ({"lost_fraction": 0.3, "judged_ratio": 0.7, "light": "sister arrays"}, 1),
        ({"lost_fraction": 0.3, "judged_ratio": 0.7, "light": "horizontal", "grey_against": "array.a"}, 2),
        ({"lost_fraction": 0.6, "grey_against": "array.a"}, 2),
        ({"lost_fraction": 0.3, "grey_against": "array.d"}, 2),
    ],
)
def test_weak_beside_an_array_that_gives_too_much_is_no_fault(evidence: dict[str, Any], kept: int) -> None:
    """Array a gives 1.4 times its rating, so b looks three tenths short beside it; six tenths, or by a light sensor's
    word, or beside another, it is short."""
    told = [
        finding("yield-excess", "array.a", excess_ratio=1.4),
        finding("yield-shortfall", "array.b", **evidence),
    ]  # fmt: skip
    assert len(fold(told, frames.settings())) == kept


# -- through the whole analysis: the barge's own physics, another drawing -----------------------------------------

DAYS = 7


@pytest.fixture(scope="module")
def rows() -> dict[Kit, str]:
    """A week of Lapwing's history with nothing wrong aboard, by both kits."""
    story = Story.told(DAYS, healthy=True)
    voyage = sail(story)
    return {"full": history_csv(story, voyage), "bare": history_csv(story, voyage, "bare")}


def drawn(text: str, array: str, **keys: Any) -> str:
    """The settings with other keys of one array."""
    table = re.search(rf'\[\[array\]\]\nname = "{array}".*?(?=\n\[\[)', text, re.DOTALL)
    assert table
    new = table[0]
    for key, value in keys.items():
        new, times = re.subn(rf"(?m)^{key} = \S+", f"{key} = {value}", new)
        assert times == 1
    return text.replace(table[0], new)


def scaled(text: str, channel: str, scale: float) -> str:
    """The settings with a channel of the history read by another scale."""
    at = text.index(f'channel = "{channel}"', text.index('name = "history"'))
    end = text.index("\n", at)
    return f"{text[:end]}\nscale = {scale}{text[end:]}"


def findings(folder: Path, text: str, rows: str) -> list[dict[str, Any]]:
    (folder / "noonmark.toml").write_text(text, encoding="utf-8")
    (folder / "history.csv").write_text(rows, encoding="utf-8")
    located = read(folder / "noonmark.toml")
    schema.prepare(located.store_path)
    ours = plan(located)
    with closing(open_writer(located.store_path)) as connection:
        for file, source in choose(ours, [folder / "history.csv"], "history"):
            list(bring_in(connection, ours, [(file, source)], NOW))
    assess(located)
    with closing(open_reader(located.store_path)) as connection:
        return list(verdict(Results(connection), located.settings)["findings"])


FULL, BARE = settings_text("full"), settings_text("bare")


@pytest.mark.parametrize(
    ("kit", "text", "subject", "cause", "ratio"),
    [
        ("full", drawn(FULL, "cabin", strings_in_parallel=1), "array.cabin", "wrong-setting", 2.0),
        ("full", drawn(FULL, "cabin", power=135, imp=6.7, isc=7.1), "array.cabin", "wrong-setting", 1.3),
        ("bare", drawn(BARE, "cabin", strings_in_parallel=1), "array.cabin", "wrong-setting", 2.0),
        ("full", drawn(FULL, "gantry", tilt=50, azimuth=350), "array.gantry", "wrong-orientation", 1.5),
        ("full", scaled(FULL, "array.gantry.current", 1.35), "array.gantry", "sensor-gain", 1.35),
    ],
    ids=["half of the strings drawn", "three quarters of the power", "with no light sensor", "turned round", "amps"],
)  # fmt: skip
def test_the_wrong_drawing_or_meter_is_found_and_named_first(
    tmp_path: Path, rows: dict[Kit, str], kit: Kit, text: str, subject: str, cause: str, ratio: float
) -> None:
    """One finding, of the array that it is about and no other, its cause first by more than half."""
    (found,) = findings(tmp_path, text, rows[kit])
    assert (found["rule"], found["subject"]) == ("yield-excess", subject)
    assert found["evidence"]["excess_ratio"] == pytest.approx(ratio, rel=0.08)
    assert found["causes"][0]["cause"] == cause
    assert found["causes"][0]["probability"] > 0.5


def test_a_light_sensor_that_says_too_little_is_the_one_finding(tmp_path: Path, rows: dict[Kit, str]) -> None:
    """Both arrays give 1.4 times what it allows: not two wrong drawings."""
    found = findings(tmp_path, scaled(settings_text("full"), "irradiance.horizontal.global", 0.72), rows["full"])
    assert {c["cause"] for f in found for c in f["causes"][:1]} == {"irradiance-sensor"}


@pytest.mark.parametrize("kit", ["full", "bare"])
def test_a_sound_vessel_as_drawn_gives_no_more_than_the_light_allows(
    tmp_path: Path, rows: dict[Kit, str], kit: Kit
) -> None:
    assert findings(tmp_path, settings_text(kit), rows[kit]) == []
