"""A box whose fan nobody hears is judged by the warmth at which it used to be held, and by nothing else."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis import boxes
from analysis.findings import History
from analysis.results import EnclosureEstimate
from analysis.results_boxes import TOLD, BoxSpell
from analysis.rules import fan_ineffective
from analysis.sun import DAY_MS
from tests.analysis import frames
from tests.analysis.test_findings import changed, history
from tests.analysis.warm_boxes import STEP, Box, means, minutes


def day(n: int, peak: float, air: float | None = 20.0, k_per_w: float | None = None) -> EnclosureEstimate:
    start = frames.START + n * DAY_MS
    low, high = (None, None) if k_per_w is None else (0.9 * k_per_w, 1.12 * k_per_w)
    return EnclosureEstimate(
        "box", start, start, start + DAY_MS, "untold", k_per_w, low, high, peak, start, 70.0, 0.0, 8.0, 140, air
    )


def week(n: int, held_at: float | None, air: float | None = 22.0) -> BoxSpell:
    start = frames.START + n * 7 * DAY_MS
    held = {} if held_at is None else {
        "ceiling_c": held_at, "ceiling_low_c": held_at - 0.5, "ceiling_high_c": held_at + 0.5, "held_min": 600.0,
        "warmest_air_c": air,
    }  # fmt: skip
    return BoxSpell("box", start, start + 7 * DAY_MS, 7, TOLD, 1008, 0.98, 0.4, 1.0, 60.0, 0.0, **held)


def story(peaks: list[float], weeks: list[float | None], **more: Any) -> History:
    days = [day(n, peak) for n, peak in enumerate(peaks)]
    return replace(history(enclosures=days, **more), box_spells=[week(n, at) for n, at in enumerate(weeks)])


def test_a_box_that_runs_past_its_ceiling_has_a_fan_that_stands() -> None:
    """Held at 45 °C for a week, then 62 °C and held by nothing: since the first such day, and the fan does not turn."""
    (found,) = fan_ineffective.found(story([45.2] * 7 + [61.0, 62.0, 30.0, 62.0], [45.0, None]))
    assert (found.rule, found.subject, found.state) == ("fan-ineffective", "fan.box", "unacknowledged")
    assert found.since == frames.START + 7 * DAY_MS
    assert (found.evidence["ceiling_c"], found.evidence["peak_c"]) == (45.0, 62.0)
    assert found.causes[0].cause in ("fan-stopped", "fan-supply")
    assert "its fan used to hold it at 45 °C" in found.summary


def test_a_ceiling_that_crept_up_is_a_blocked_air_way() -> None:
    """Still held, warmer from week to week: the fan turns and moves less."""
    peaks = [45.2] * 7 + list(np.linspace(45.4, 50.5, 21))
    (found,) = fan_ineffective.found(story(peaks, [45.0, 46.5, 48.0, 50.0]))
    assert found.is_open
    assert found.causes[0].cause == "inlet-blocked"


@pytest.mark.parametrize("later", [[45.5] * 7, [47.0] * 7, [30.0] * 7])
def test_a_box_that_is_held_as_before_or_stays_cool_is_no_finding(later: list[float]) -> None:
    assert fan_ineffective.found(story([45.2] * 7 + later, [45.0, 45.0])) == []


def test_one_warm_day_is_none_a_very_warm_one_is() -> None:
    """Four kelvins wait for a second day, fifteen do not."""
    assert fan_ineffective.found(story([45.2] * 7 + [49.5, 45.3], [45.0, 45.0])) == []
    (found,) = fan_ineffective.found(story([45.2] * 7 + [60.0], [45.0, None]))
    assert found.since == frames.START + 7 * DAY_MS


def test_cool_days_neither_raise_nor_clear() -> None:
    """Its ceiling was not reached: nobody knows whether the fan would have run."""
    (found,) = fan_ineffective.found(story([45.2] * 7 + [60.0, 61.0] + [30.0] * 5, [45.0, None]))
    assert found.is_open
    (found,) = fan_ineffective.found(story([45.2] * 7 + [60.0, 61.0, 30.0, 45.3, 45.1], [45.0, None]))
    assert (found.state, found.until) == ("returned", frames.START + 10 * DAY_MS)


def test_no_fan_cools_below_the_air() -> None:
    """Warm air of 40 °C where it was 22 while held: 58 °C is what a sound fan leaves; without a thermometer outside
    there is nothing to allow for."""
    days = [day(n, 45.2) for n in range(7)] + [day(n, 58.0, air=40.0) for n in range(7, 10)]
    hot = replace(history(enclosures=days), box_spells=[week(0, 45.0), week(1, None)])
    assert fan_ineffective.found(hot) == []
    blind = replace(hot, enclosures=[replace(d, peak_air_c=None) for d in days])
    assert len(fan_ineffective.found(blind)) == 1


def test_a_swing_about_the_ceiling_is_its_own() -> None:
    """A late thermostat: 49 °C each day about a ceiling of 45 °C, as ever."""
    assert fan_ineffective.found(story([49.2, 48.9] * 7, [45.0, 45.0])) == []


def test_a_fan_that_fails_within_the_first_week_is_told_by_the_days_before() -> None:
    (found,) = fan_ineffective.found(story([45.2] * 4 + [58.0] * 3 + [59.0] * 7, [46.5, None]))
    assert found.since == frames.START + 4 * DAY_MS


def test_kelvins_per_watt_say_nothing_of_a_thermostat() -> None:
    """On cool days it hardly runs, and each watt warms the box twice as much: no dead fan, where a ceiling is known."""
    days = [day(n, 45.2, k_per_w=0.45) for n in range(4)] + [day(n, 44.0, k_per_w=1.0) for n in range(4, 14)]
    assert len(fan_ineffective.found(history(enclosures=days))) == 1
    held = replace(history(enclosures=days), box_spells=[week(0, 45.0), week(1, 45.0)])
    assert fan_ineffective.found(held) == []


def test_a_new_fan_has_a_ceiling_of_its_own() -> None:
    """Its thermostat is set higher: without the change that were a finding."""
    peaks, weeks = [45.2] * 7 + [52.0] * 14, [45.0, 52.0, 52.0]
    assert len(fan_ineffective.found(story(peaks, weeks))) == 1
    assert fan_ineffective.found(story(peaks, weeks, changes=changed(7, "fan.box"))) == []
    assert fan_ineffective.found(story(peaks, weeks, changes=changed(7, "enclosure.box"))) == []


# -- through the record ----------------------------------------------------------------------------------------------

SETTINGS = """
[site]
name = "Box"
latitude = 0.0
longitude = 0.0
timezone = "UTC"
moored = "fixed"
[store]
path = "box.db"
[[array]]
name = "a"
controller = "c"
modules_in_series = 1
strings_in_parallel = 1
tilt = 0
azimuth = 180
module = { power = 1500 }
[[controller]]
name = "c"
enclosure = "box"
[[enclosure]]
name = "box"
temperature_limit = 50
surroundings = "air.cabin"
[[fan]]
name = "box"
enclosure = "box"
[[source]]
name = "history"
kind = "csv"
path = "box.csv"
time = { field = "time", zone = "UTC", label = "start", interval_s = 600 }
[[source.channel]]
field = "in"
channel = "array.a.power"
[[source.channel]]
field = "out"
channel = "controller.c.output_power"
[[source.channel]]
field = "box"
channel = "enclosure.box.temperature"
[[source.channel]]
field = "cabin"
channel = "air.cabin.temperature"
"""


def noonmark(folder: Path, *words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "dashboard", *words, "--settings", "box.toml"],
        cwd=folder, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return done.stdout


def record(box: Box) -> pd.DataFrame:
    """What the instruments of a made-up box said; a controller that loses a twentieth of what goes in."""
    inside, loss, air = (means(values) for values in minutes(box))
    rows = pd.DataFrame({"in": 20.0 * loss, "out": 19.0 * loss, "box": inside, "cabin": air}).round(3)
    return rows.assign(time=pd.date_range("2026-06-10", periods=len(inside), freq=f"{STEP}min"))


@pytest.fixture(scope="module")
def failing(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """Three weeks; in the middle of the twelfth day the fan stands for good. Brought in a few days at a time, and
    judged after each."""
    folder = tmp_path_factory.mktemp("failing")
    (folder / "box.toml").write_text(SETTINGS, encoding="utf-8")
    rows = record(Box(days=21, fan_dies=11.5))
    verdict: dict[str, Any] = {}
    for days in (5, 6, 13, 21):
        rows.iloc[: days * 144].to_csv(folder / "box.csv", index=False)
        noonmark(folder, "import", "box.csv")
        verdict = json.loads(noonmark(folder, "assess", "--json", "--from", "2026-06-10"))
    return folder, verdict


def test_a_fan_that_fails_half_way_is_found(failing: tuple[Path, dict[str, Any]]) -> None:
    """Held at 44.5 °C in the first week, run past it since the twelfth day, by nothing held in the third week."""
    _, verdict = failing
    (found,) = [f for f in verdict["findings"] if f["rule"] == "fan-ineffective"]
    assert found["subject"] == "fan.box"
    assert found["since"] in ("2026-06-21T00:00:00Z", "2026-06-22T00:00:00Z")
    assert found["causes"][0]["cause"] in ("fan-stopped", "fan-supply")
    assert found["evidence"]["ceiling_c"] == pytest.approx(44.5, abs=1.0)
    (box,) = verdict["enclosures"]
    first, _, last = box["spells"]
    assert first["ceiling_c"] == pytest.approx(44.5, abs=1.0)
    assert (last["told"], last["ceiling_c"], box["ceiling_c"]) == ("told", None, None)
    for spell in (first, last):
        assert spell["thermal_resistance_k_per_w"] == pytest.approx(1.0, rel=0.05)
        assert spell["time_constant_min"] == pytest.approx(60.0, rel=0.05)


def test_what_grew_day_by_day_is_what_one_assessment_gives(
    failing: tuple[Path, dict[str, Any]], tmp_path: Path
) -> None:
    """Spells that were half full when they were first fitted come out as if the whole record had been there."""
    folder, verdict = failing
    (tmp_path / "box.toml").write_text(SETTINGS, encoding="utf-8")
    (tmp_path / "box.csv").write_bytes((folder / "box.csv").read_bytes())
    noonmark(tmp_path, "import", "box.csv")
    whole = json.loads(noonmark(tmp_path, "assess", "--json", "--from", "2026-06-10"))
    assert whole["enclosures"] == verdict["enclosures"]


def test_a_sound_fan_raises_nothing(tmp_path: Path) -> None:
    """Three weeks of bright and dull days about its set point."""
    (tmp_path / "box.toml").write_text(SETTINGS, encoding="utf-8")
    record(Box(days=21, seed=4, swing_k=3.0)).to_csv(tmp_path / "box.csv", index=False)
    noonmark(tmp_path, "import", "box.csv")
    verdict = json.loads(noonmark(tmp_path, "assess", "--json", "--from", "2026-06-10"))
    assert [f for f in verdict["findings"] if f["subject"].startswith("fan.")] == []
    assert len(boxes.unheard(frames.settings())) == 1
