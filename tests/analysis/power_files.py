"""Owns the settings of a measured file of nothing but power, at Golden, Colorado, and the commands that judge it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

SITE = """
[site]
name = "Power alone"
latitude = 39.7406
longitude = -105.1775
elevation = 1830
timezone = "America/Denver"
moored = "fixed"

[store]
path = "power.db"

[[array]]
name = "roof"
modules_in_series = 1
strings_in_parallel = 1
tilt = {plane[0]}
azimuth = {plane[1]}

[array.module]
power = {power}
temp_coeff_power = -0.45

[[source]]
name = "inverter"
kind = "csv"
path = "power.csv"
time = {{ field = {time} }}

[[source.channel]]
field = "{field}"
channel = "array.roof.power"
unit = "{unit}"
"""
WEATHER = """
[[source]]
name = "satellite"
kind = "csv"
path = "sky.csv"
time = { field = "index" }

[[source.channel]]
field = "ghi"
channel = "irradiance.weather.global"

[[source.channel]]
field = "temp_air"
channel = "air.outside.temperature"
"""


def noonmark(folder: Path, *words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "dashboard", *words], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout
