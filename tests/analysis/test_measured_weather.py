"""A roof's yield from a weather station's light alone, through the commands that everyone uses.

Data of the package pvanalytics: the roof ``serf_west_15min.csv`` without its own light sensor, by the beam, the dome,
the air and the wind of the station on the same campus, ``rmis_weather_data.csv``. The roof's sensor is the truth. A
bare chain (Perez, Faiman, 5943 W, no glass) has come to biases of +0.8, +3.8 and -2.8 % of the plane's daily
irradiation at correlations of 0.985 to 0.995, and to 0.726, 0.915 and 1.021 of the power.
"""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import pandas as pd
import pvanalytics
import pytest

DATA = Path(pvanalytics.__file__).parent / "data"
SETTINGS = Path(__file__).parents[2] / "fixtures" / "settings" / "measured_planes.toml"
DAYS = ("2022-01-02", "2022-01-03", "2022-01-04")
QUARTER = pd.Timedelta(minutes=15)


def settings() -> str:
    """Those of the two planes, the roof's own sensor and the station's plane left out."""
    text = SETTINGS.read_text(encoding="utf-8").replace("power = 5978", "power = 5943")
    text = re.sub(r'\[\[array\]\]\nname = "south".*?(?=\[\[source\]\])', "", text, flags=re.DOTALL)
    text = re.sub(r'\[\[source\.channel\]\]\nfield = "[^"]*"\nchannel = "irradiance\.\w+\.plane"\n+', "", text)
    return text + '\n[[source.channel]]\nfield = "Wind Speed"\nchannel = "air.outside.wind_speed"\n'


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("station")
    (folder / "noonmark.toml").write_text(settings(), encoding="utf-8")
    files = ["serf_west_15min.csv", "rmis_weather_data.csv"]
    for name in files:
        shutil.copy(DATA / name, folder)
    said = [
        subprocess.run(
            [sys.executable, "-m", "dashboard", *words, "--settings", "noonmark.toml"],
            cwd=folder, capture_output=True, text=True, check=True,
        ).stdout
        for words in (["import", *files], ["assess", "--json"])
    ]  # fmt: skip
    (folder / "said.json").write_text(said[1], encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def days(folder: Path) -> dict[str, dict[str, Any]]:
    (array,) = json.loads((folder / "said.json").read_text(encoding="utf-8"))["arrays"]
    return {day["date"]: day for day in array["days"]}


@pytest.mark.parametrize(
    ("date", "word", "ratio"),
    [(DAYS[0], "covered", 0.726), (DAYS[1], "healthy", 0.915), (DAYS[2], "healthy", 1.021)],
)
def test_each_day_has_its_verdict(days: dict[str, dict[str, Any]], date: str, word: str, ratio: float) -> None:
    """Glass takes off what a power fitted without it holds already: some 0.045 more than the bare chain's."""
    day = days[date]
    assert day["verdict"] == word
    assert day["measured_wh"] / day["expected_wh"] == pytest.approx(ratio, abs=0.05)


@pytest.mark.parametrize(("date", "ratio"), [(DAYS[1], 0.957), (DAYS[2], 0.990)])
def test_the_band_holds_what_the_roof_s_own_sensor_says(
    days: dict[str, dict[str, Any]], date: str, ratio: float
) -> None:
    """Ratios by the plane's sensor, of the same power."""
    day = days[date]
    assert day["judged_ratio_low"] < ratio < day["judged_ratio_high"]


def test_the_plane_follows_the_roof_s_own_sensor(folder: Path) -> None:
    """Usable light against the sensor's, over 20 W/m², day by day."""
    read = pd.read_csv(DATA / "serf_west_15min.csv", index_col=0, parse_dates=True)["poa_irradiance__771"]
    read.index = read.index.tz_localize("Etc/GMT+7") - QUARTER
    with sqlite3.connect(folder / "measured_planes.db") as connection:
        rows = connection.execute("SELECT t, plane_wm2 FROM expected").fetchall()
    connection.close()
    plane = pd.Series(dict(rows))
    plane.index = pd.to_datetime(plane.index, unit="ms", utc=True)
    both = pd.DataFrame({"read": read.tz_convert("UTC")}).join(plane.rename("found")).query("read > 20").dropna()
    bias = {}
    for date in DAYS:
        day = both[both.index.tz_convert("Etc/GMT+7").strftime("%Y-%m-%d") == date]
        assert len(day) > 30
        assert day["read"].corr(day["found"]) > 0.985
        bias[date] = day["found"].sum() / day["read"].sum() - 1
    assert list(bias.values()) == pytest.approx([0.008, 0.038, -0.028], abs=0.02)
