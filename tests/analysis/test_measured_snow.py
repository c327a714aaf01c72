"""Six days under snow, really measured, come out right through the commands that everyone uses.

Data: ``snow_data.csv`` and ``snow_snowfall.csv`` of the package pvanalytics (an anonymous utility): light in the plane,
a combiner's volts and amps. 38 mm fell on 7 January 2022; the array lay under it that day, partly on those after.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pvanalytics
import pytest

FILE = Path(pvanalytics.__file__).parent / "data" / "snow_data.csv"
SETTINGS = Path(__file__).parents[2] / "fixtures" / "settings" / "measured_snow.toml"


@pytest.fixture(scope="module")
def verdict(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    folder = tmp_path_factory.mktemp("snow")
    shutil.copy(SETTINGS, folder)
    said = ""
    for words in (["import", str(FILE)], ["assess", "--json"]):
        said = subprocess.run(
            [sys.executable, "-m", "dashboard", *words, "--settings", SETTINGS.name],
            cwd=folder, capture_output=True, text=True, check=True,
        ).stdout  # fmt: skip
    return dict(json.loads(said))


def test_the_day_of_the_snow_is_covered(verdict: dict[str, Any]) -> None:
    (array,) = verdict["arrays"]
    words = {day["date"]: (day["verdict"], day["cause"]) for day in array["days"]}
    assert words["2022-01-07"] == ("covered", "snow")
    assert [date for date, (word, _) in words.items() if word == "covered"] == ["2022-01-07"]


def test_what_is_missing_on_the_days_after_is_snow_too(verdict: dict[str, Any]) -> None:
    """Half free it gives 40, then 80 % of what the light allows: snow that slides off, not dirt nor the sensor."""
    found = [f for f in verdict["findings"] if f["rule"] == "yield-shortfall"]
    assert len(found) == 2
    assert all(f["causes"][0]["cause"] == "snow" for f in found)
    after = next(f for f in found if "judged_ratio" in f["evidence"])
    assert after["evidence"]["features"]["covered"] > 0.8
