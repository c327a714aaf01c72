"""Two poles of one roof, really measured, come out right as two alike arrays, through the commands that everyone uses.

Data: ``serf_west_15min.csv`` of the package pvanalytics (NREL PVDAQ system 51, Golden, Colorado; OEDI submission 4568):
volts and amps of both poles under one plane irradiance. Alike strings agree within 5 % (IEC 62446-1, as two texts cite
it). The counts to be met were taken from the file by the civil days of its own stamps.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pvanalytics
import pytest

FILE = Path(pvanalytics.__file__).parent / "data" / "serf_west_15min.csv"
SETTINGS = Path(__file__).parents[2] / "fixtures" / "settings" / "serf_west_poles.toml"


def noonmark(folder: Path, *words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "dashboard", *words, "--settings", SETTINGS.name],
        cwd=folder, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return done.stdout


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("poles")
    shutil.copy(SETTINGS, folder)
    noonmark(folder, "import", str(FILE))
    return folder


@pytest.fixture(scope="module")
def pair(folder: Path) -> dict[str, Any]:
    (pair,) = json.loads(noonmark(folder, "assess", "--json"))["alike"]
    return dict(pair)


def test_one_column_serves_both_poles(pair: dict[str, Any]) -> None:
    """The light that both poles share is one column, bound twice, and the comparison says what it was."""
    assert (pair["one"], pair["other"], pair["light"]) == ("west-positive", "west-negative", "plane")
    assert [day["date"] for day in pair["days"]] == [f"2022-01-0{n}" for n in range(2, 7)]


@pytest.mark.parametrize(
    ("key", "each", "whole"),
    [
        ("apart_5", [14, 15, 2, 8, 27], 66),
        ("apart_10", [12, 8, 2, 7, 24], 53),
        ("far", [8, 6, 4, 8, 23], 49),
    ],
)
def test_volts_apart_are_counted_exactly(pair: dict[str, Any], key: str, each: list[int], whole: int) -> None:
    """By more than 5 and 10 % in light over 200 W/m²; under 0.45 of the other's in light over 100."""
    assert [day[key] for day in pair["days"]] == each
    assert pair[key] == whole
    assert pair["minutes"][key] == 15.0 * whole
    assert (pair["bright"], pair["lit"]) == (135, 157)


def test_a_solar_day_holds_the_lit_rows_of_the_civil_day(pair: dict[str, Any]) -> None:
    """The file's days are its own clock's; the light of no row falls into another solar day."""
    rows = pd.read_csv(FILE, index_col=0, parse_dates=True)
    lit = rows["poa_irradiance__771"] > 100
    assert [day["lit"] for day in pair["days"]] == lit.groupby(rows.index.day).sum().tolist()


def test_what_the_low_pole_loses_it_loses_in_volts_alone(pair: dict[str, Any]) -> None:
    """65 to 72 V against 225 to 240 V at equal or larger current, most of all on the last day, under snow."""
    assert pair["low"] == "west-positive"
    assert all(day["low_amps_ratio"] >= 1.0 for day in pair["days"])
    last = pair["days"][-1]
    assert 65 / 240 <= last["low_volts_ratio"] <= 72 / 225
    assert pair["by_volts_wh"] > 0 > pair["by_amps_wh"]


def test_volts_and_amps_add_up_to_what_one_pole_gave_less(folder: Path, pair: dict[str, Any]) -> None:
    """The two parts of a loss are the whole of it: the difference of the poles' powers in good light, from the file."""
    rows = pd.read_csv(FILE, index_col=0, parse_dates=True)
    one, other = (
        (rows[f"dc_{pole}_voltage__{v}"] * rows[f"dc_{pole}_current__{v + 1}"])
        for pole, v in (("pos", 774), ("neg", 776))
    )
    bright = rows["poa_irradiance__771"] > 200
    less = float((other - one)[bright].sum()) / 4
    assert pair["free"] == 135
    assert pair["by_volts_wh"] + pair["by_amps_wh"] == pytest.approx(less, abs=0.5)


def test_amps_for_light_of_each_pole(pair: dict[str, Any]) -> None:
    """4 January, sound intervals: 14.25 and 14.09 A for each kW/m², R² 0.998 and 0.988. The sensor's nightly -1.8 W/m²
    is taken off here, which is three in a thousand."""
    day = pair["days"][2]
    assert day["one_a_per_kw"] == pytest.approx(14.25, rel=0.005)
    assert day["other_a_per_kw"] == pytest.approx(14.09, rel=0.005)
    assert day["one_r2"] >= 0.997
    assert day["other_r2"] >= 0.988


def test_the_sheet_names_the_low_half(folder: Path) -> None:
    """In a line of the sheet, and day by day where the quality of the record is asked for."""
    plain, full = (" ".join(noonmark(folder, "assess", *more).split()) for more in ((), ("--quality",)))
    for said in (plain, full):
        assert "volts apart by more than 5 % in 66 of 135 intervals" in said
        assert "The west-positive array is mostly the low half" in said
        assert "it lost in volts alone" in said
    assert "Volts under 0.45 of the other half's in 49 of 157 intervals" in full
    assert "6 January 28 27 24 33 23 not known" in full


def test_a_sensor_at_one_pole_serves_both(tmp_path: Path, pair: dict[str, Any]) -> None:
    """The light bound to the positive pole alone: the same counts, for the two share one plane."""
    text = SETTINGS.read_text(encoding="utf-8")
    block = '[[source.channel]]\nfield = "poa_irradiance__771"\nchannel = "irradiance.west-negative.plane"\n'
    assert block in text
    (tmp_path / SETTINGS.name).write_text(text.replace(block, ""), encoding="utf-8")
    noonmark(tmp_path, "import", str(FILE))
    (alone,) = json.loads(noonmark(tmp_path, "assess", "--json"))["alike"]
    for key in ("light", "bright", "lit", "apart_5", "apart_10", "far", "low"):
        assert alone[key] == pair[key]


def test_swapped_poles_swap_the_answer(tmp_path: Path, pair: dict[str, Any]) -> None:
    """The same record with the two poles' columns exchanged names the other pole; ratios turn round."""
    text = SETTINGS.read_text(encoding="utf-8")
    for quantity, a, b in (("voltage", 774, 776), ("current", 775, 777)):
        text = text.replace(f"dc_pos_{quantity}__{a}", "HOLD").replace(
            f"dc_neg_{quantity}__{b}", f"dc_pos_{quantity}__{a}"
        )
        text = text.replace("HOLD", f"dc_neg_{quantity}__{b}")
    (tmp_path / SETTINGS.name).write_text(text, encoding="utf-8")
    noonmark(tmp_path, "import", str(FILE))
    (swapped,) = json.loads(noonmark(tmp_path, "assess", "--json"))["alike"]
    assert swapped["low"] == "west-negative"
    assert (swapped["far"], swapped["lit"], swapped["bright"]) == (pair["far"], pair["lit"], pair["bright"])
    assert swapped["by_volts_wh"] == pytest.approx(-pair["by_volts_wh"], rel=1e-6)
    assert np.allclose(
        [1 / day["volts_ratio"] for day in swapped["days"]], [day["volts_ratio"] for day in pair["days"]], rtol=1e-3
    )


def test_the_table_holds_what_the_sheet_says(folder: Path, pair: dict[str, Any]) -> None:
    with closing(sqlite3.connect(folder / "serf_west_poles.db")) as connection:
        rows = connection.execute("SELECT day, apart_5, far, one_low FROM alike_day ORDER BY day").fetchall()
    assert rows == [(d["date"], d["apart_5"], d["far"], d["one_low"]) for d in pair["days"]]
