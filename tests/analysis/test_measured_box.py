"""A measured box comes out right through the commands that everyone uses: the warmth at which its fan cuts in.

Data: ``nrel_RSF_II.csv`` of the package pvanalytics (NREL PVDAQ system 1283): an inverter's own temperature, its input
and its output; and ``serf_west_15min.csv`` (system 51), whose inverter hangs indoors and hardly warms itself.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pvanalytics
import pytest

DATA = Path(pvanalytics.__file__).parent / "data"
SETTINGS = Path(__file__).parents[2] / "fixtures" / "settings"


def noonmark(folder: Path, *words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "dashboard", *words, "--settings", "box.toml"],
        cwd=folder, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return done.stdout


@pytest.fixture(scope="module")
def campus(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("campus")
    (folder / "box.toml").write_text((SETTINGS / "measured_box.toml").read_text(encoding="utf-8"), encoding="utf-8")
    noonmark(folder, "import", str(DATA / "nrel_RSF_II.csv"))
    return folder


def box(folder: Path) -> dict[str, Any]:
    (found,) = json.loads(noonmark(folder, "assess", "--json"))["enclosures"]
    return dict(found)


def test_the_set_point_of_the_fan_is_told(campus: Path) -> None:
    """59.1 °C within 1; 8.01 K/kW within 5 %, 88 min, error ≤ 2.1 K, R² ≥ 0.97, over the file's five solar days."""
    found = box(campus)
    assert found["ceiling_c"] == pytest.approx(59.1, abs=1.0)
    assert found["ceiling_low_c"] < found["ceiling_c"] < found["ceiling_high_c"]
    (spell,) = found["spells"]
    assert (spell["from"], spell["to"], spell["days"], spell["told"]) == ("2022-01-02", "2022-01-06", 5, "told")
    assert 1000 * spell["thermal_resistance_k_per_w"] == pytest.approx(8.01, rel=0.05)
    assert found["time_constant_min"] == spell["time_constant_min"] == pytest.approx(88.0, rel=0.05)
    assert spell["rmse_k"] <= 2.1
    assert spell["r2"] >= 0.97


def test_the_sheet_says_where_it_is_held(campus: Path) -> None:
    assert "held at about 59 °C, as by its fan" in " ".join(noonmark(campus, "assess").split())


def test_a_box_that_was_judged_once_stands(campus: Path) -> None:
    """Judging again works nothing out anew and changes nothing."""
    assert box(campus) == box(campus)


def test_a_box_whose_fan_is_heard_is_left_to_its_days(tmp_path: Path) -> None:
    """With a channel for the fan, here any column from 0 to 1, there are no spells: running and stopped tell more."""
    text = (SETTINGS / "measured_box.toml").read_text(encoding="utf-8")
    text += (
        '\n[[source.channel]]\nfield = "wind_speed__1051"\nchannel = "fan.inverter.running"\nscale = 0.01\n'
        '\n[[fan]]\nname = "inverter"\nenclosure = "inverter"\n'
    )
    (tmp_path / "box.toml").write_text(text, encoding="utf-8")
    noonmark(tmp_path, "import", str(DATA / "nrel_RSF_II.csv"))
    found = box(tmp_path)
    assert (found["ceiling_c"], found["spells"]) == (None, [])


def test_a_box_indoors_judged_by_the_air_outdoors_is_refused(tmp_path: Path) -> None:
    """System 51's inverter: no kelvins per watt, no minutes, no set point."""
    text = (SETTINGS / "serf_west.toml").read_text(encoding="utf-8")
    text = text.replace('name = "west"\n', 'name = "west"\ncontroller = "west"\n', 1)
    for field, channel in (
        ("ac_power__773", "controller.west.output_power"),
        ("inveter_temp__784", "enclosure.indoors.temperature"),
    ):
        text += f'\n[[source.channel]]\nfield = "{field}"\nchannel = "{channel}"\n'
    text += '\n[[controller]]\nname = "west"\nenclosure = "indoors"\n'
    text += '\n[[enclosure]]\nname = "indoors"\nsurroundings = "air.outside"\n'
    (tmp_path / "box.toml").write_text(text, encoding="utf-8")
    noonmark(tmp_path, "import", str(DATA / "serf_west_15min.csv"))
    found = box(tmp_path)
    assert (found["ceiling_c"], found["time_constant_min"]) == (None, None)
    (spell,) = found["spells"]
    assert (spell["told"], spell["thermal_resistance_k_per_w"]) == ("refused", None)
