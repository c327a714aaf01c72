"""Measured files of power beside a satellite's light, or alone, are judged as a careful person would.

Data of the package pvanalytics: ``serf_east_15min_ac_power.csv`` with ``serf_east_psm3_data.csv`` (a roof at Golden,
Colorado, July to October 2016, and the satellite's weather put on quarter hours); ``serf_east_1min_ac_power.csv``;
``nrel_1axis_tracker_mesa_ac_power.csv``, a tracker, drawn fixed here; ``pvlib_data_shift.csv``, a value a day. Power
of the array is a guess by the file's own best, its plane its sister's, 45° towards 158°.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pvanalytics
import pytest

from tests.analysis.power_files import SITE, WEATHER, noonmark

DATA = Path(pvanalytics.__file__).parent / "data"
PLANE = (45, 158)
POWER, SKY = DATA / "serf_east_15min_ac_power.csv", DATA / "serf_east_psm3_data.csv"


def judged(
    folder: Path,
    files: list[Path],
    power: int = 6000,
    time: str = "measured_on",
    field: str = "ac_power",
    sky: str = "",
) -> dict[str, Any]:
    weather = WEATHER.replace('"index"', f'"measured_on"{sky}') if SKY in files else ""
    text = SITE.format(power=power, plane=PLANE, time=f'"{time}"', field=field, unit="W") + weather
    (folder / "noonmark.toml").write_text(text, encoding="utf-8")
    noonmark(folder, "import", *map(str, files))
    return dict(
        json.loads(noonmark(folder, "assess", "--json", "--quality", "--from", "2010-01-01", "--to", "2022-12-31"))
    )


def test_a_sound_summer_by_a_satellites_light(tmp_path: Path) -> None:
    """104 days: nothing is found; a satellite that missed a cloud makes a day or three short, each alone."""
    told = judged(tmp_path, [POWER, SKY])
    (array,) = told["arrays"]
    verdicts = [day["verdict"] for day in array["days"]]
    assert len(verdicts) == 104
    assert verdicts.count("healthy") >= 100
    assert array["judged_ratio"] == pytest.approx(0.91, abs=0.03)
    assert array["judged_ratio_low"] < 0.91 < array["judged_ratio_high"]
    assert told["findings"] == []
    heard = next(q for q in told["quality"] if q["channel"] == "array.roof.power")
    assert heard["days_whole"] >= 103


@pytest.mark.parametrize(("zone", "shift_min"), [("UTC", -420), ("UTC-6", -60)])
def test_a_weather_series_read_in_another_zone_is_told_and_not_believed(
    zone: str, shift_min: int, tmp_path: Path
) -> None:
    """Its light comes before the sun: the zone that fits is named, and nobody is judged by it on such a day."""
    sky = f', zone = "{zone}", format = "%Y-%m-%d %H:%M:%S-07:00"'
    told = judged(tmp_path, [POWER, SKY], sky=sky)
    (clock,) = told["findings"]
    assert (clock["rule"], clock["subject"]) == ("clock-suspect", "source.satellite")
    assert clock["evidence"]["noon_shift_min"] == pytest.approx(shift_min, abs=10)
    assert 'fit zone = "UTC-7"' in clock["causes"][0]["next_check"]
    verdicts = [day["verdict"] for day in told["arrays"][0]["days"]]
    assert verdicts.count("cannot tell") > 0.5 * len(verdicts)
    assert verdicts.count("shortfall") <= 3


def planted(folder: Path, fault: str) -> dict[str, Any]:
    rows = pd.read_csv(POWER)
    power, at = rows["ac_power"].copy(), pd.to_datetime(rows["measured_on"], utc=True)
    if fault == "spikes":
        power[np.flatnonzero(power > 1500)[::97]] *= 10
    elif fault == "stale":
        power[(at >= "2016-08-10 18:00") & (at < "2016-08-14 18:00")] = 2711.0
    elif fault == "shifted":
        power[at >= "2016-09-01 07:00"] *= 0.6
    elif fault == "missing":
        rows, power = (
            rows[(at < "2016-08-11") | (at >= "2016-08-17")],
            power[(at < "2016-08-11") | (at >= "2016-08-17")],
        )
    rows.assign(ac_power=power).to_csv(folder / "power.csv", index=False)
    return judged(folder, [folder / "power.csv", SKY])


def test_spikes_bring_no_energy(tmp_path: Path) -> None:
    """Ten times the power in one quarter of an hour, a dozen times over: left out, and the days stay as they are."""
    (array,) = planted(tmp_path, "spikes")["arrays"]
    assert array["judged_ratio"] == pytest.approx(0.91, abs=0.03)


def test_what_stands_still_by_day_and_night_is_not_believed(tmp_path: Path) -> None:
    told = planted(tmp_path, "stale")
    (silent,) = told["findings"]
    assert (silent["rule"], silent["since"][:10], silent["until"][:10]) == (
        "instrument-unheard", "2016-08-10", "2016-08-14",
    )  # fmt: skip
    heard = next(q for q in told["quality"] if q["channel"] == "array.roof.power")
    assert heard["stuck_h"] == pytest.approx(96, abs=0.5)


def test_a_shifted_capacity_is_told_with_its_day(tmp_path: Path) -> None:
    (short,) = planted(tmp_path, "shifted")["findings"]
    assert short["rule"] == "yield-shortfall"
    assert short["since"][:10] == "2016-09-01"
    assert short["state"] == "unacknowledged"


def test_missing_days_are_told_as_a_silence(tmp_path: Path) -> None:
    (silent,) = planted(tmp_path, "missing")["findings"]
    assert (silent["rule"], silent["since"][:10], silent["until"][:10]) == (
        "instrument-unheard", "2016-08-10", "2016-08-17",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("name", "field"), [("serf_east_1min_ac_power.csv", "ac_power__752"), ("serf_east_15min_ac_power.csv", "ac_power")]
)
def test_power_alone_says_that_it_cannot_tell(name: str, field: str, tmp_path: Path) -> None:
    """The clear sky is an upper bound, and judges nobody who stays below it."""
    told = judged(tmp_path, [DATA / name], field=field)
    assert {day["verdict"] for day in told["arrays"][0]["days"]} == {"cannot tell"}
    assert told["findings"] == []


def test_a_tracker_that_was_drawn_fixed_is_told(tmp_path: Path) -> None:
    """Each of its six days it gives, by morning and by evening, what no cloudless sky gives a plane that lies still."""
    told = judged(tmp_path, [DATA / "nrel_1axis_tracker_mesa_ac_power.csv"], 400)
    assert {day["verdict"] for day in told["arrays"][0]["days"]} == {"cannot tell"}
    (excess,) = told["findings"]
    assert excess["rule"] == "yield-excess"
    assert "follows the sun" in excess["summary"]
    assert excess["evidence"]["excess_ratio"] > 1.5
    assert excess["causes"][0]["cause"] == "wrong-orientation"


def test_a_value_a_day_is_asked_about_at_the_import(tmp_path: Path) -> None:
    text = SITE.format(power=4000, plane=PLANE, time='"timestamp"', field="value", unit="W")
    (tmp_path / "noonmark.toml").write_text(text, encoding="utf-8")
    said = noonmark(tmp_path, "import", str(DATA / "pvlib_data_shift.csv"))
    assert "2190 rows" in said
    assert "its rows lie about 24 h apart" in said
    assert "label and interval_s" in said
