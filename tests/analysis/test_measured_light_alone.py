"""A day of nothing but light on the horizontal, really measured, says what it can: zero, gain and noon of its sensor.

Data: ``midc_bms_ghi_20220120.csv`` of the package pvanalytics, minutes of a ventilated pyranometer at NREL Golden,
39.742° N 105.18° W, 1829 m, 20 January 2022, a day without a cloud.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pvanalytics
import pytest

FILE = Path(pvanalytics.__file__).parent / "data" / "midc_bms_ghi_20220120.csv"
SETTINGS = """
[site]
name = "Light alone"
latitude = 39.742
longitude = -105.18
elevation = 1829
timezone = "America/Denver"
moored = "fixed"

[store]
path = "light.db"

[[source]]
name = "sky"
kind = "csv"
path = "sky.csv"
time = { field = 1 }

[[source.channel]]
field = "Global CMP22 (vent/cor) [W/m^2]"
channel = "irradiance.horizontal.global"
"""


def noonmark(folder: Path, *words: str) -> str:
    return subprocess.run(
        [sys.executable, "-m", "dashboard", *words], cwd=folder, capture_output=True, text=True, check=True
    ).stdout


def test_the_sensor_is_told_and_nothing_else(tmp_path: Path) -> None:
    """Stamps with their own offset, a sensor of a good class: within 4 % of a clear sky, its noon within 5 minutes."""
    (tmp_path / "noonmark.toml").write_text(SETTINGS, encoding="utf-8")
    assert "1440 rows, 1440 samples new" in noonmark(tmp_path, "import", str(FILE))
    verdict = json.loads(noonmark(tmp_path, "assess", "--json"))
    (light,) = verdict["light"]
    assert light["night_offset_wm2"] == pytest.approx(-1.5, abs=0.1)
    assert light["gain"] == pytest.approx(1.0, abs=0.04)
    assert abs(light["noon_shift_min"]) < 5
    assert verdict["findings"] == []
    sheet = " ".join(noonmark(tmp_path, "assess").split())
    assert "No array is drawn in the settings" in sheet
    assert "−1.5 W/m² at night, one clear day, 102 % of a clear sky" in sheet
