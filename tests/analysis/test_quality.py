"""The quality of two records that were really measured, counted by `import` and `assess` as their own tables count it.

Data of the package pvanalytics (NREL PVDAQ; OEDI submission 4568): ``system_15_poa_irradiance.parquet``, quarter hours
of light in a plane from 2019 to 2023, whose sensor failed in the last summer; ``system_4_module_temperature.parquet``,
four years of a module's warmth, cut off at 0 °C. The wanted counts were made from the files with pandas.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pandas as pd
import pvanalytics
import pytest

from dashboard.quality import line

DATA = Path(pvanalytics.__file__).parent / "data"
SETTINGS = Path(__file__).parents[2] / "fixtures" / "settings" / "measured_years.toml"


def noonmark(folder: Path, *words: str) -> str:
    return subprocess.run(
        [sys.executable, "-m", "dashboard", *words, "--settings", SETTINGS.name],
        cwd=folder, capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip


def written_out(name: str, stamp: str, to: Path) -> None:
    table = pd.read_parquet(DATA / name).reset_index(drop=True)
    table[stamp] = table[stamp].dt.strftime("%Y-%m-%d %H:%M")
    table.to_csv(to, index=False)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("years")
    shutil.copy(SETTINGS, folder)
    written_out("system_15_poa_irradiance.parquet", "measured_on", folder / "plane.csv")
    written_out("system_4_module_temperature.parquet", "index", folder / "warmth.csv")
    noonmark(folder, "import", "plane.csv", "warmth.csv")
    return folder


def told(folder: Path, first: str, last: str) -> dict[str, Any]:
    return dict(json.loads(noonmark(folder, "assess", "--json", "--quality", "--from", first, "--to", last)))


@pytest.fixture(scope="module")
def light(folder: Path) -> dict[str, Any]:
    return told(folder, "2019-02-01", "2023-10-22")


def test_light_that_cannot_be_is_counted(light: dict[str, Any]) -> None:
    """No value below nothing, 2,406 over 1300, 2,310 over 1500 and 2,079 over 2000 W/m², the highest 5627; 1,821 beyond
    four standard deviations."""
    (of_plane,) = light["quality"]
    assert of_plane["channel"] == "irradiance.roof.plane"
    assert of_plane["light"] == {
        "negative": 0, "over_1300": 2_406, "over_1500": 2_310, "over_2000": 2_079, "days_never_dark": 47,
    }  # fmt: skip
    assert (of_plane["lowest"], round(of_plane["highest"])) == (0.0, 5627)
    assert of_plane["beyond_4_sigma"] == 1_821
    assert of_plane["marked"] == {"out of range": 2_079}


def test_what_is_missing_is_counted_by_intervals_and_days(light: dict[str, Any]) -> None:
    """165,588 rows, 13,360 of them empty; the file begins five quarters after midnight and ends seven before it, so of
    1,725 whole days twelve more are missing. 1,405 days are whole, 118 under a quarter, 58 of those empty."""
    (of_plane,) = light["quality"]
    assert (of_plane["interval_s"], of_plane["intervals"]) == (900, 1_725 * 96)
    assert of_plane["missing"] == 13_360 + 12
    assert of_plane["heard"] == 165_588 - 13_360
    days = tuple(of_plane[key] for key in ("days", "days_whole", "days_under_quarter", "days_empty"))
    assert days == (1_725, 1_405, 118, 58)


def test_warmth_that_is_cut_off_at_nought_is_counted(folder: Path) -> None:
    """140,256 rows, 9,421 of them empty, from 0.0 to 65.38 °C; 48,422 say to the hundredth what the one before said,
    and 48,546 are exactly 0: below it the instrument does not read, and once it stood there for 352 days."""
    (of_warmth,) = told(folder, "2015-01-01", "2018-12-31")["quality"]
    assert (of_warmth["intervals"], of_warmth["missing"]) == (140_256, 9_421)
    assert (of_warmth["lowest"], round(of_warmth["highest"], 2)) == (0.0, 65.38)
    assert (of_warmth["repeats"], of_warmth["at_lowest"]) == (48_422, 48_546)
    assert of_warmth["longest_same_h"] / 24 == pytest.approx(352, abs=0.1)
    assert of_warmth["light"] is None
    assert "48,546 at exactly 0.0 °C, its lowest" in line(of_warmth)


def test_a_sensor_that_never_goes_dark_is_told_and_not_believed(light: dict[str, Any]) -> None:
    """From June to July 2023 it says hundreds of watts at midnight: a doubtful sensor, and no word on the clock."""
    rules = {f["rule"] for f in light["findings"]}
    assert rules == {"sensor-suspect"}
    assert all("in the dark" in f["summary"] for f in light["findings"])
    assert {f["since"][:7] for f in light["findings"]} <= {"2023-06", "2023-07"}
    assert all(f["causes"][0]["cause"] == "irradiance-sensor" for f in light["findings"])


def test_an_array_whose_power_nobody_records_is_not_missed(light: dict[str, Any]) -> None:
    """A light sensor alone is a record too: that no source feeds volts or amps is the drawing, not a silence."""
    assert "instrument-unheard" not in {f["rule"] for f in light["findings"]}


def test_the_sheet_says_the_same_in_words(folder: Path) -> None:
    sheet = " ".join(noonmark(folder, "assess", "--quality", "--from", "2019-02-01", "--to", "2023-10-22").split())
    assert "1,405 of 1,725 days whole; 118 heard for less than a quarter (58 not at all)" in sheet
    assert "2,079 over 2,000 W/m²; 47 days never dark" in sheet


def test_readings_that_come_evenly_are_heard_all_day(tmp_path: Path) -> None:
    """Moments a quarter of an hour apart make a whole day of 96; every 90 seconds they are counted by minutes."""
    assert counted(tmp_path / "even", range(0, 86_400, 900)) == (900.0, 96, 96, 1)
    assert counted(tmp_path / "uneven", range(0, 86_400, 90)) == (60.0, 1440, 960, 0)


def counted(folder: Path, seconds: range) -> tuple[float, int, int, int]:
    """Interval [s], those that could be and that were heard, and whole days, of one day of a file of moments."""
    folder.mkdir()
    text = SETTINGS.read_text(encoding="utf-8")
    (folder / SETTINGS.name).write_text(text.replace(', label = "start", interval_s = 900', ""), encoding="utf-8")
    rows = [f"2021-07-01 {s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d},{20 + n % 7}" for n, s in enumerate(seconds)]
    (folder / "warmth.csv").write_text("index,module_temp_1\n" + "\n".join(rows) + "\n", encoding="utf-8")
    noonmark(folder, "import", "warmth.csv")
    # The solar day begins at the longitude's own midnight: whole ones alone are counted, of the day's 24 hours.
    (told_of,) = told(folder, "2021-07-01", "2021-07-01")["quality"]
    return told_of["interval_s"], told_of["intervals"], told_of["heard"], told_of["days_whole"]
