"""A file that is silent on its stamps is judged all the same; what stands still where it cannot is left out."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from analysis import standing
from analysis.frames import Pieces, Stretch
from tests.analysis.frames import MINUTE_MS, START
from tests.analysis.test_measured_roof import FILE, SETTINGS

LIGHT = "irradiance.a.plane"


def stretch(channel: str, pieces: Pieces) -> Stretch:
    return Stretch(START, START + 1440 * MINUTE_MS, {channel: pieces})


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
