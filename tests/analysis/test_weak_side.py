"""A swinging vessel without compass or light sensor, one side a tenth low: a grey week and the commands find it."""

from __future__ import annotations

import csv
import datetime as dt
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.analysis.grey_weeks import SIDES, STEP_MS, Week, said

SETTINGS = """
[site]
name = "Two sides"
latitude = 47.58
longitude = 0.0
timezone = "UTC"
moored = "swinging"

[store]
path = "sides.db"

{arrays}
[[source]]
name = "history"
kind = "csv"
path = "inbox/*.csv"
time = {{ field = "time", zone = "UTC", label = "start", interval_s = 300 }}
{channels}
"""
ARRAY = """
[[array]]
name = "{name}"
controller = "{name}"
modules_in_series = 2
strings_in_parallel = 1
tilt = 15
azimuth = {azimuth}
mounting = "gap"
module = {{ power = 175, voc = 24.3, isc = 9.2, vmp = 20.2, imp = 8.67, temp_coeff_power = -0.36, substrings = 2 }}

[[controller]]
name = "{name}"
"""
CHANNEL = """
[[source.channel]]
field = "{field}"
channel = "{channel}"
unit = "{unit}"
"""


def noonmark(folder: Path, *words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "dashboard", *words, "--settings", "sides.toml"],
        cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


def write(folder: Path, week: Week) -> None:
    """Settings, and the week as the controllers' history: power and stage of each, means of five minutes."""
    arrays = "".join(ARRAY.format(name=name, azimuth=azimuth % 360) for name, azimuth in SIDES.items())
    fields = [(f"array.{name}.power", "W") for name in SIDES] + [(f"controller.{name}.stage", "") for name in SIDES]
    channels = "".join(
        CHANNEL.format(field=channel, channel=channel, unit=unit) if unit
        else CHANNEL.format(field=channel, channel=channel, unit="").replace('unit = ""\n', "")
        for channel, unit in fields
    )  # fmt: skip
    (folder / "sides.toml").write_text(SETTINGS.format(arrays=arrays, channels=channels), encoding="utf-8")
    record = said(week)
    columns = [record[channel].value for channel, _ in fields]
    with (folder / "history.csv").open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["time", *(channel for channel, _ in fields)])
        for i in range(week.days * 86_400_000 // STEP_MS):
            moment = dt.datetime.fromtimestamp((record.start + i * STEP_MS) / 1000, dt.UTC)
            powers = [f"{column[i]:.2f}" for column in columns[: len(SIDES)]]
            rows.writerow([moment.strftime("%Y-%m-%dT%H:%M:%S"), *powers, *["bulk"] * len(SIDES)])


@pytest.fixture(scope="module", params=[1.0, 0.9], ids=["sound", "low"])
def told(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[float, dict[str, Any], str]:
    folder = tmp_path_factory.mktemp("sides")
    write(folder, Week(gain=(("port", request.param),), heading="wind", seed=4))
    noonmark(folder, "import", "history.csv")
    return request.param, json.loads(noonmark(folder, "assess", "--json")), noonmark(folder, "assess")


def test_the_weak_side_and_no_other_is_found(told: tuple[float, dict[str, Any], str]) -> None:
    """The finding says which test found it, against whom, and an interval that holds the truth."""
    gain, verdict, sheet = told
    found = [(f["subject"], f["rule"]) for f in verdict["findings"]]
    (pair,) = verdict["twins"]
    assert pair["ratio_low"] <= gain <= pair["ratio_high"]
    if gain == 1.0:
        assert (found, pair["weak"]) == ([], None)
        return
    assert found == [("array.port", "yield-shortfall")]
    assert pair["weak"] == "port"
    evidence = verdict["findings"][0]["evidence"]
    assert evidence["found_by"] == "grey-sky twins"
    assert evidence["grey_against"] == "array.starboard"
    assert evidence["grey_ratio_low"] <= gain <= evidence["grey_ratio_high"] < 0.97
    flat = " ".join(sheet.split())
    assert "Not the weather: the port array has given" in flat
    assert "of what the starboard array got for its size under grey skies" in flat
