"""Files of nothing but an array's power, really measured, are told when their clocks are not the sun's.

Data of the package pvanalytics: ``system_50_ac_power_2_full_DST.parquet`` (NREL PVDAQ system 50, Golden, Colorado),
quarter hours whose stamps end in -07:00 and keep summer time all the same, with the satellite's weather beside it
(``system_50_ac_power_2_full_DST_psm3.parquet``, NSRDB PSM3); ``ac_power_inv_2173.csv`` and ``ac_power_inv_7539.csv``,
of unnamed places, whose stamps say +00:00 and keep the local hour: they are set down in Golden here, at UTC.

The power of the array and its plane are guesses, as of somebody who has the file and no more.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pandas as pd
import pvanalytics
import pytest

from tests.analysis.power_files import SITE, WEATHER, noonmark

DATA = Path(pvanalytics.__file__).parent / "data"
# Two changes of the clocks and the winter between them.
FROM, TO = "2011-08-01", "2012-05-31"
REMEDY = ', zone = "America/Denver", format = "%Y-%m-%d %H:%M:%S-07:00"'


def as_csv(name: str, stamps: str, to: Path) -> None:
    rows = pd.read_parquet(DATA / name).set_index(stamps)
    rows.loc[FROM:TO].to_csv(to)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("power")
    as_csv("system_50_ac_power_2_full_DST.parquet", "measured_on", folder / "power.csv")
    as_csv("system_50_ac_power_2_full_DST_psm3.parquet", "index", folder / "sky.csv")
    return folder


def judged(folder: Path, time: str, *files: str) -> tuple[list[dict[str, Any]], dict[str, str]]:
    """All findings, and the verdict of each day, of a fresh store."""
    for old in folder.glob("power.db*"):
        old.unlink()
    weather = WEATHER if "sky.csv" in files else ""
    text = SITE.format(power=3600, plane=(35, 180), field="ac_power_2", unit="W", time=f"1{time}") + weather
    (folder / "noonmark.toml").write_text(text, encoding="utf-8")
    noonmark(folder, "import", *files)
    told = json.loads(noonmark(folder, "assess", "--json", "--from", FROM, "--to", TO))
    return told["findings"], {day["date"]: day["verdict"] for day in told["arrays"][0]["days"]}


@pytest.fixture(scope="module")
def as_it_stands(folder: Path) -> tuple[list[dict[str, Any]], dict[str, str]]:
    return judged(folder, "", "power.csv", "sky.csv")


def test_a_clock_that_keeps_summer_time_is_told_with_its_dates(
    as_it_stands: tuple[list[dict[str, Any]], dict[str, str]],
) -> None:
    """Mountain time changed on 6 November 2011 and on 11 March 2012 (Energy Policy Act of 2005, section 110)."""
    (clock,) = [f for f in as_it_stands[0] if f["rule"] == "clock-suspect"]
    assert clock["subject"] == "source.inverter"
    assert clock["evidence"]["spells"] == [[FROM, "2011-11-05"], ["2012-03-11", TO]]
    assert clock["evidence"]["noon_shift_min"] == pytest.approx(60, abs=12)
    assert clock["state"] == "unacknowledged"
    assert 'zone = "America/Denver"' in clock["causes"][0]["next_check"]


def test_no_day_is_judged_by_a_clock_that_is_off(as_it_stands: tuple[list[dict[str, Any]], dict[str, str]]) -> None:
    """Its summers cannot be told; its winter is, and the snow on it too."""
    findings, verdicts = as_it_stands
    late = {v for day, v in verdicts.items() if not "2011-11-06" <= day < "2012-03-11"}
    assert late == {"cannot tell"}
    winter = [v for day, v in verdicts.items() if "2011-11-06" <= day < "2012-03-11"]
    assert winter.count("healthy") > 90
    covers = [f for f in findings if "covered_wh" in f["evidence"]]
    assert 5 <= len(covers) <= 16
    assert all(f["evidence"]["days"] for f in covers)


def test_days_before_its_first_word_are_no_silence(as_it_stands: tuple[list[dict[str, Any]], dict[str, str]]) -> None:
    """Real gaps of the file are told, and nothing else."""
    silent = [f for f in as_it_stands[0] if f["rule"] == "instrument-unheard"]
    assert silent
    assert all(f["since"][:10] >= "2011-08-27" for f in silent)


def test_the_remedy_that_is_named_is_one(folder: Path) -> None:
    """The zone, and the stamps' own offset as plain text, as the notice says: no doubt is left, summer is judged."""
    findings, verdicts = judged(folder, REMEDY, "power.csv", "sky.csv")
    assert not [f for f in findings if f["rule"] == "clock-suspect"]
    summer = [v for day, v in verdicts.items() if day < "2011-11-06"]
    assert summer.count("healthy") > 0.8 * len(summer)
    assert [day for day, v in verdicts.items() if v == "covered" and day < "2011-10-15"] == []


def test_where_no_light_is_known_at_all_the_clock_is_told_alone(folder: Path) -> None:
    """The clear sky judges nothing: beside the clock and true gaps no notice."""
    findings, verdicts = judged(folder, "", "power.csv")
    assert {f["rule"] for f in findings} == {"clock-suspect", "instrument-unheard"}
    assert set(verdicts.values()) == {"cannot tell"}


@pytest.mark.parametrize("name", ["ac_power_inv_2173.csv", "ac_power_inv_7539.csv"])
def test_stamps_that_are_hours_off_are_told(name: str, tmp_path: Path) -> None:
    """Local hours read as UTC: the power comes six or seven hours before the sun, and no day is judged."""
    text = SITE.format(power=1000, plane=(35, 180), field="value_normalized", unit="kW", time=1)
    (tmp_path / "noonmark.toml").write_text(text, encoding="utf-8")
    noonmark(tmp_path, "import", str(DATA / name))
    told = json.loads(noonmark(tmp_path, "assess", "--json"))
    (clock,) = told["findings"]
    assert clock["rule"] == "clock-suspect"
    assert clock["state"] == "unacknowledged"
    assert clock["evidence"]["noon_shift_min"] == pytest.approx(-400, abs=45)
    with closing(sqlite3.connect(tmp_path / "power.db")) as connection:
        assert {v for (v,) in connection.execute("SELECT verdict FROM yield_day")} == {"cannot tell"}
