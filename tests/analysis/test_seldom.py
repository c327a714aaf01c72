"""Moments that come seldom but steadily stand for their time; what stands still where the thing cannot is left out."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from analysis import seldom, standing
from analysis.frames import Pieces, Stretch
from tests.analysis.frames import MINUTE_MS, START
from tests.analysis.test_measured_roof import FILE, SETTINGS

LIGHT = "irradiance.a.plane"


def moments(every_min: int, count: int = 40, jitter: int = 0) -> Pieces:
    """Closed minutes, one every so many, give or take."""
    off = np.random.default_rng(1).integers(-jitter, jitter + 1, count) if jitter else 0
    start = START + (480 + np.arange(count) * every_min + off) * MINUTE_MS
    return Pieces(start.astype(np.int64), np.full(count, MINUTE_MS, dtype=np.int64), np.arange(count) + 1.0)


def stretch(channel: str, pieces: Pieces) -> Stretch:
    return Stretch(START, START + 1440 * MINUTE_MS, {channel: pieces})


@pytest.mark.parametrize("every", [2, 5, 10, 15])
def test_steady_moments_stand_for_the_time_around_them(every: int) -> None:
    found = seldom.drawn_out(stretch(LIGHT, moments(every)), [START])[LIGHT]
    assert (found.length == every * MINUTE_MS).all()
    assert (found.start == moments(every).start - every // 2 * MINUTE_MS).all()
    assert (found.value == moments(every).value).all()


def test_a_minute_give_or_take_is_steady_enough() -> None:
    found = seldom.drawn_out(stretch(LIGHT, moments(10, jitter=1)), [START])[LIGHT]
    assert (found.length == 10 * MINUTE_MS).all()


@pytest.mark.parametrize("pieces", [moments(1), moments(90), moments(20, jitter=9), moments(10, count=5)])
def test_what_speaks_each_minute_hardly_ever_or_when_it_likes_is_left_as_it_is(pieces: Pieces) -> None:
    assert (seldom.drawn_out(stretch(LIGHT, pieces), [START])[LIGHT].length == MINUTE_MS).all()


def test_a_file_without_a_word_on_its_stamps_is_judged_as_one_with_it(tmp_path: Path) -> None:
    """Quarter hours taken for moments, as `label` is where it is not told: the measured roof's days get their verdicts,
    and nothing is said to be silent."""
    text = SETTINGS.read_text(encoding="utf-8").replace(', label = "start", interval_s = 900', "")
    assert "interval_s" not in text
    (tmp_path / "roof.toml").write_text(text, encoding="utf-8")
    shutil.copy(FILE, tmp_path)
    said = ""
    for words in (["import", FILE.name], ["assess", "--json"]):
        said = subprocess.run(
            [sys.executable, "-m", "dashboard", *words, "--settings", "roof.toml"],
            cwd=tmp_path, capture_output=True, text=True, check=True,
        ).stdout  # fmt: skip
    verdict = json.loads(said)
    days = verdict["arrays"][0]["days"]
    assert [day["verdict"] for day in days] == ["covered", "healthy", "healthy", "healthy", "covered"]
    assert [round(day["measured_wh"] / day["expected_wh"], 2) for day in days] == pytest.approx(
        [0.72, 0.96, 0.99, 0.95, 0.02], abs=0.02
    )
    assert {f["rule"] for f in verdict["findings"]} == {"yield-shortfall"}


def quarters(values: np.ndarray) -> Pieces:
    start = START + np.arange(len(values), dtype=np.int64) * 15 * MINUTE_MS
    return Pieces(start, np.full(len(values), 15 * MINUTE_MS, dtype=np.int64), values.astype(float))


def test_a_module_that_is_as_warm_all_day_is_not_believed() -> None:
    """At nought degrees too: an instrument that reads nothing below it says 0 for years."""
    channel = "array.a.module_temperature"
    for value in (0.0, 21.7):
        found = standing.left_out(stretch(channel, quarters(np.full(96, value))), [START])
        assert len(found[channel].start) == 0
    night = np.concatenate([np.zeros(40), np.linspace(0.1, 30, 30), np.zeros(26)])
    assert len(standing.left_out(stretch(channel, quarters(night)), [START])[channel].start) == 96


def test_light_that_hangs_is_left_out_and_the_dark_is_not() -> None:
    """An hour and more of one value in daylight; nothing all night is what a sensor should say."""
    light = np.concatenate(
        [np.zeros(28), np.linspace(5, 400, 10), np.full(8, 412.6), np.linspace(390, 5, 22), np.zeros(28)]
    )
    found = standing.left_out(stretch(LIGHT, quarters(light)), [START])[LIGHT]
    assert len(found.start) == 96 - 8
    assert 412.6 not in found.value
