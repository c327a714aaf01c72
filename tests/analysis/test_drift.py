"""The gain of a light sensor drifts over weeks: told by clear days, taken out, and never taken from the arrays."""

from __future__ import annotations

import datetime as dt
import json
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis import drift
from analysis.frames import Grid, Stretch
from analysis.results import LightDay
from analysis.sky import Sky
from analysis.sun import DAY_MS, Place, SunPath
from tests.analysis.test_light import sky_of

GLOBAL = "irradiance.horizontal.global"
FIRST = dt.date(2025, 4, 1)


def light_days(gain: Callable[[int], float | None], count: int = 90, channel: str = GLOBAL) -> list[LightDay]:
    start = 1743465600000
    return [
        LightDay(
            channel,
            FIRST + dt.timedelta(n),
            start + n * DAY_MS,
            start + (n + 1) * DAY_MS,
            0.0,
            300.0,
            gain(n),
            None,
            None,
        )
        for n in range(count)
    ]


def on(found: dict[tuple[str, dt.date], drift.Drift], day: int, channel: str = GLOBAL) -> float:
    return found.get((channel, FIRST + dt.timedelta(day)), drift.NONE).gain


def fading(n: int) -> float | None:
    """1.02 at first, every third day clear; from the thirtieth day on it falls to 0.87 of that by the ninetieth."""
    return None if n % 3 else 1.02 * (1.0 - 0.15 * max(n - 30, 0) / 60)


def test_a_gain_that_fades_is_taken_out_as_it_fades() -> None:
    """Against its own first clear days; within two per cent on every day from the moment that it is beyond the sky's
    own spread, with the uncertainty of that sky."""
    found = drift.of_days(light_days(fading))
    assert on(found, 20) == on(found, 45) == 1.0
    for day in (60, 70, 80):
        assert on(found, day) == pytest.approx(1.0 - 0.15 * (day - 30) / 60, abs=0.02)
    assert {d.sigma for d in found.values()} == {drift.SIGMA}


def test_the_skys_own_spread_is_no_drift() -> None:
    """Clear days within some per cent of one another, weeks of haze of 4 % among them: nothing is touched."""
    rng = np.random.default_rng(3)
    noise = rng.normal(0.0, 0.02, 90)
    assert drift.of_days(light_days(lambda n: 1.0 + noise[n] - (0.04 if 40 < n < 70 else 0.0))) == {}


def test_what_two_sensors_show_alike_is_the_skys() -> None:
    """A season of haze lowers a second sensor as well; a sensor that fades does so alone."""
    other = "irradiance.cabin.plane"
    both = drift.of_days([*light_days(fading), *light_days(fading, channel=other)])
    assert both == {}
    alone = drift.of_days([*light_days(fading), *light_days(lambda n: 1.0, channel=other)])
    assert on(alone, 80) < 0.9
    assert on(alone, 80, other) == 1.0


@pytest.mark.parametrize("gain", [lambda n: 0.9 if n < 40 else 1.0, lambda n: 0.9 if n < 40 else 0.98])
def test_a_gain_that_is_put_right_is_no_drift(gain: Callable[[int], float]) -> None:
    """Washed, or its scale corrected: it comes nearer to the clear sky, and is not taken back."""
    assert drift.of_days(light_days(gain)) == {}


def test_too_few_clear_days_tell_nothing() -> None:
    """Seven make the measure, four within a fortnight tell a day's gain; without them nothing is touched."""
    assert drift.of_days(light_days(lambda n: 0.8 if n > 6 else 1.0, count=10)) == {}
    assert drift.of_days(light_days(lambda n: (0.8 if n > 60 else 1.0) if n % 12 == 0 else None)) == {}


def test_a_broken_sensor_is_not_mended() -> None:
    """Half of the light gone is no drift: it stays as it was read, for the finding about it."""
    assert drift.of_days(light_days(lambda n: 1.0 if n < 40 else 0.5)).keys() <= {
        (GLOBAL, FIRST + dt.timedelta(n)) for n in range(90)
    }
    assert on(drift.of_days(light_days(lambda n: 1.0 if n < 40 else 0.5)), 80) == 1.0


def test_cloud_enhancement_is_scaled_and_never_clipped() -> None:
    """1300 W/m² behind a sensor that shows nine tenths are 1444 W/m² of light; the reading stays what it was."""
    n = len(sky_of(Place(50.0, 0.0), FIRST).grid.start)
    sky = sky_of(Place(50.0, 0.0), FIRST, {GLOBAL: 1300.0}, drifts=lambda _: (np.full(n, 0.9), np.full(n, drift.SIGMA)))
    assert sky.light(GLOBAL) == pytest.approx(1300.0 / 0.9)
    assert sky.as_read(GLOBAL) == pytest.approx(1300.0)
    assert sky.drift_sigma(GLOBAL) == pytest.approx(drift.SIGMA)


# -- through the commands -----------------------------------------------------------------------------------------

SETTINGS = """
[site]
name = "Lapwing"
latitude = 36.0
longitude = 0.0
timezone = "UTC"
moored = "fixed"
[store]
path = "lapwing.db"
[[array]]
name = "cabin"
modules_in_series = 1
strings_in_parallel = 1
tilt = 0
azimuth = 180
mounting = "rack"
[array.module]
power = 100
[[source]]
name = "history"
kind = "csv"
path = "history.csv"
time = { field = "time", zone = "UTC", label = "start", interval_s = 900 }
[[source.channel]]
field = "light"
channel = "irradiance.horizontal.global"
[[source.channel]]
field = "watts"
channel = "array.cabin.power"
[[source.channel]]
field = "warmth"
channel = "array.cabin.module_temperature"
"""
DAYS, STEP = 75, 900_000


def write(folder: Path) -> None:
    """Seventy-five cloudless days; the sensor loses 14 % from the thirtieth to the last, and from the sixtieth on the
    array a quarter."""
    start = round(dt.datetime(2025, 4, 1, tzinfo=dt.UTC).timestamp() * 1000)
    t = start + np.arange(DAYS * DAY_MS // STEP, dtype=np.int64) * STEP
    place = Place(36.0, 0.0)
    path = SunPath(start, start + DAYS * DAY_MS, place)

    up = path.elevation(t + STEP // 2) > 0
    clear = np.zeros(len(t))
    clear[up] = Sky(Grid(t[up], STEP), path.at(t[up] + STEP // 2), place, Stretch(0, 0)).clear.ghi
    day = (t - start) / DAY_MS
    gain = 1.0 - 0.14 * np.clip((day - 30) / 45, 0.0, 1.0)
    watts = 0.94 * clear / 10.0 * np.where(day >= 60, 0.75, 1.0)
    lines = [
        f"{np.datetime64(int(ms), 'ms')}Z,{light:.2f},{power:.3f},25"
        for ms, light, power in zip(t, clear * gain, watts, strict=True)
    ]
    (folder / "history.csv").write_text("\n".join(["time,light,watts,warmth", *lines]) + "\n")
    (folder / "noonmark.toml").write_text(SETTINGS)


def noonmark(folder: Path, *words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "dashboard", *words], cwd=folder, capture_output=True, text=True, check=True
    )
    return done.stdout


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("drift")
    write(folder)
    noonmark(folder, "import", "history.csv")
    return folder


@pytest.fixture(scope="module")
def verdict(folder: Path) -> dict[str, Any]:
    return dict(json.loads(noonmark(folder, "assess", "--json", "--from", "2025-04-01", "--to", "2025-06-14")))


def test_the_expectation_follows_the_sky_and_not_the_sensor(verdict: dict[str, Any]) -> None:
    """Between the thirtieth and the sixtieth day the array gives what it gave: the ratio stays within 3 %."""
    ratios = [day["judged_ratio"] for day in verdict["arrays"][0]["days"]]
    assert max(ratios[:60]) - min(ratios[:60]) < 0.06
    raw = 1.0 / (1.0 - 0.14 * 29 / 45)
    assert ratios[59] < 1.0 + (raw - 1.0) / 2


def test_a_real_loss_of_the_array_stays_one(verdict: dict[str, Any]) -> None:
    """The quarter that the array lost is found in full, though the sensor has lost a seventh by then."""
    ratios = [day["judged_ratio"] for day in verdict["arrays"][0]["days"]]
    assert np.median(ratios[61:]) / np.median(ratios[:30]) == pytest.approx(0.75, abs=0.03)
    assert any(f["rule"] == "yield-shortfall" for f in verdict["findings"])


def test_the_drift_is_told_and_the_readings_are_kept(folder: Path, verdict: dict[str, Any]) -> None:
    """A finding of low priority says it; the samples and the day's own gain are as they were read."""
    (found,) = [f for f in verdict["findings"] if f["rule"] == "sensor-suspect"]
    assert found["priority"] == "low"
    assert 0.84 < found["evidence"]["drift"] < 0.92
    with sqlite3.connect(folder / "lapwing.db") as connection:
        drifts, gains = zip(*connection.execute("SELECT drift, gain FROM light_day ORDER BY day"), strict=True)
    assert drifts[20] == 1.0
    assert drifts[-1] < 0.92
    assert gains[-1] == pytest.approx(0.86, abs=0.02)


def test_nothing_new_moves_no_drift(folder: Path, verdict: dict[str, Any]) -> None:
    """Assessed again, nothing is worked out again."""
    with sqlite3.connect(folder / "lapwing.db") as connection:
        before = connection.execute("SELECT * FROM yield_day ORDER BY day").fetchall()
    again = json.loads(noonmark(folder, "assess", "--json", "--from", "2025-04-01", "--to", "2025-06-14"))
    with sqlite3.connect(folder / "lapwing.db") as connection:
        assert connection.execute("SELECT * FROM yield_day ORDER BY day").fetchall() == before
    assert again["arrays"] == verdict["arrays"]
