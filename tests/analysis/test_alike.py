"""Two alike arrays in one moment share light and warmth: what differs is the array's own, in volts or in amps."""

from __future__ import annotations

import datetime as dt
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import alike
from analysis.alike import Half
from analysis.causes import CAUSES
from analysis.diagnosis import rank
from analysis.results import PLANE, SISTERS
from analysis.results_alike import AlikeDay
from analysis.rules import yield_shortfall
from analysis.sun import DAY_MS, Floats
from tests.analysis import frames
from tests.analysis.test_findings import array_day, history

MINUTES = np.arange(600)
START = frames.START + 6 * 3_600_000 + MINUTES * frames.MINUTE_MS


def side(name: str, volts: Floats | float, amps: Floats | float, light: Floats | float = 800.0, **more: Any) -> Half:
    fill = np.ones(600)
    yes = np.ones(600, dtype=bool)
    half = Half(
        name, frames.MINUTE_MS, START, volts * fill, amps * fill, light * fill, np.full(600, PLANE, np.int8), yes, yes
    )
    return replace(half, **more)


def day(one: Half, other: Half) -> AlikeDay | None:
    found = alike.of_day([one, other], [(one.name, other.name)], frames.sun_day())
    return found[0] if found else None


def told(one: Half, other: Half) -> AlikeDay:
    found = day(one, other)
    assert found is not None
    return found


def test_arrays_are_alike_by_their_drawing() -> None:
    """Same modules, count, plane and mounting. Another azimuth is another plane, unless both lie flat."""
    module = {"power": 100.0}
    base = {"modules_in_series": 2, "strings_in_parallel": 1, "tilt": 20.0, "azimuth": 180.0, "module": module}

    def pairs(**changed: Any) -> list[tuple[str, str]]:
        arrays = [base | {"name": "port"}, base | {"name": "starboard"} | changed]
        return alike.pairs(frames.settings(array=arrays, controller=[], cable=[]))

    assert pairs() == [("port", "starboard")]
    for changed in (
        {"azimuth": 0.0}, {"tilt": 25.0}, {"modules_in_series": 3}, {"strings_in_parallel": 2}, {"mounting": "glued"},
        {"module": {"power": 110.0}},
    ):  # fmt: skip
        assert pairs(**changed) == []
    base["tilt"] = 0.0
    assert pairs(azimuth=90.0) == [("port", "starboard")]


@pytest.mark.parametrize("low", ["one", "other"])
def test_the_low_half_is_named(low: str) -> None:
    """A third of the volts at the same current, on either side: counted, named, and a loss of volts alone."""
    weak, sound = side("weak", 12.0, 5.0), side("sound", 36.0, 5.0)
    found = told(weak, sound) if low == "one" else told(sound, weak)
    assert (found.bright, found.apart_5, found.apart_10, found.far) == (600, 600, 600, 600)
    assert found.one_low == (600 if low == "one" else 0)
    assert (found.low_volts_ratio, found.low_amps_ratio) == (pytest.approx(1 / 3), 1.0)
    beside = alike.beside([found], "weak")
    assert beside is not None
    assert (beside.other, beside.share) == ("sound", 1.0)
    assert beside.by_volts_wh == pytest.approx(24.0 * 5.0 * 10.0)
    assert alike.beside([found], "sound") is None


def test_an_open_string_is_amps_at_equal_volts() -> None:
    """Half the current at the same volts: no volts apart, and a loss of amps alone."""
    found = told(side("weak", 36.0, 2.5), side("sound", 36.0, 5.0))
    assert (found.apart_5, found.far) == (0, 0)
    beside = alike.beside([found], "weak")
    assert beside is not None
    assert beside.share == 0.0


volts = st.lists(st.floats(0.0, 300.0), min_size=6, max_size=6).map(lambda six: np.repeat(six, 100))


@given(volts, volts, st.floats(0.1, 10.0), st.floats(0.1, 10.0))
def test_swapped_halves_swap_the_answer(v: Floats, u: Floats, i: float, j: float) -> None:
    """What one gave less the other gave more; halves that are gone, and the low ones, are the same by either order."""
    there, back = day(side("a", v, i), side("b", u, j)), day(side("b", u, j), side("a", v, i))
    assert (there is None) == (back is None)
    if there is None or back is None:
        return
    assert (there.bright, there.lit, there.far, there.free) == (back.bright, back.lit, back.far, back.free)
    assert there.by_volts_wh == pytest.approx(-back.by_volts_wh, abs=1e-6)
    assert there.by_amps_wh == pytest.approx(-back.by_amps_wh, abs=1e-6)


@given(st.floats(-5.0, 100.0))
def test_dim_light_is_never_counted(light: float) -> None:
    """Up to 100 W/m² volts say nothing, however far apart they lie; up to 200 they are not compared."""
    assert day(side("a", 5.0, 1.0, light), side("b", 36.0, 1.0, light)) is None
    found = told(side("a", 5.0, 1.0, light + 100.1), side("b", 36.0, 1.0, light + 100.1)) if light > 0 else None
    assert found is None or (found.bright, found.apart_5, found.free) == (0, 0, 0)


def test_night_is_never_counted() -> None:
    """Halves at rest, a few millivolts each, in a light that is wrong: no volts, no count."""
    assert day(side("a", 0.2, 0.0), side("b", 0.9, 0.0)) is None


@given(st.sets(st.integers(0, 599)), st.sets(st.integers(0, 599)), st.sets(st.integers(0, 599)))
def test_missing_values_are_never_counted(first: set[int], second: set[int], dark: set[int]) -> None:
    """An interval counts where both volts and the light are known, and nowhere else."""
    v, u, g = np.full(600, 12.0), np.full(600, 36.0), np.full(600, 500.0)
    for values, gone in ((v, first), (u, second), (g, dark)):
        values[list(gone)] = np.nan
    found = day(side("a", v, 5.0, g), side("b", u, 5.0, g))
    left = 600 - len(first | second | dark)
    assert (found.bright, found.apart_10) == (left, left) if found else left == 0


def test_halves_on_other_intervals_meet_where_both_were_heard() -> None:
    late = side("b", 36.0, 5.0)
    late = late.at(np.arange(100, 600))
    assert told(side("a", 36.0, 5.0), late).bright == 500
    assert alike.of_day([side("a", 36.0, 5.0), None], [("a", "b")], frames.sun_day()) == []


def test_the_better_light_is_taken_and_named() -> None:
    """One sensor serves both; where each is the other's light, what shows more is nearer the truth."""
    blind = np.full(600, SISTERS, np.int8)
    found = told(side("a", 36.0, 5.0), side("b", 36.0, 5.0, 90.0, evidence=blind))
    assert (found.light, found.bright) == ("plane", 600)
    by_sisters = told(side("a", 36.0, 5.0, 90.0, evidence=blind), side("b", 36.0, 5.0, 500.0, evidence=blind))
    assert (by_sisters.light, by_sisters.bright) == ("sister arrays", 600)


def test_what_a_full_bank_keeps_back_is_no_loss_of_a_half() -> None:
    """Held at a set point one controller gives, the other rests: volts apart are counted, no loss is laid to them."""
    no = np.zeros(600, dtype=bool)
    found = told(side("a", 44.0, 0.5, sound=no, free=no), side("b", 36.0, 5.0))
    assert (found.apart_10, found.free, found.by_amps_wh) == (600, 0, 0.0)
    assert alike.beside([found], "a") is None
    assert found.one_a_per_kw is None


def test_amps_for_light_are_those_of_sound_intervals() -> None:
    """14 A for each kW/m² while alike; the minutes in which one half was gone do not count."""
    light = np.linspace(210.0, 1000.0, 600)
    volts_ = np.where(MINUTES < 200, 12.0, 36.0)
    amps = np.where(MINUTES < 200, 1.0, 14.0 * light / 1000.0)
    found = told(side("a", volts_, amps, light), side("b", 36.0, 14.0 * light / 1000.0, light))
    assert found.one_a_per_kw == pytest.approx(14.0)
    assert found.one_r2 == pytest.approx(1.0)


# -- what the causes make of it --------------------------------------------------------------------------------------

EVEN = {"covered": 0.0, "evenness": 1.0, "hours_spread": 0.1, "suddenness": 1.0, "sister_loss": 0.0}


def test_volts_alone_speak_for_a_bypassed_substring_amps_alone_for_an_open_string() -> None:
    """The same even, sudden loss, which neither a string's nor a substring's share tells apart."""
    first = {share: rank("yield-shortfall", EVEN | {"by_volts": share}, CAUSES)[0].cause for share in (0.0, 1.0)}
    assert first == {0.0: "open-string", 1.0: "bypassed-substring"}
    without = {c.cause: c.probability for c in rank("yield-shortfall", EVEN, CAUSES)}
    by_volts = {c.cause: c.probability for c in rank("yield-shortfall", EVEN | {"by_volts": 1.0}, CAUSES)}
    assert by_volts["bypassed-substring"] > without["bypassed-substring"]
    assert by_volts.get("soiling", 0.0) < without.get("soiling", 1.0)


def test_a_shortfall_says_what_its_alike_array_showed() -> None:
    """Three low days beside an alike array: the finding carries volts and amps, and weighs them."""
    days = [array_day(n, 0.7) for n in range(3)]
    pair = told(side("a", 25.0, 5.0), side("b", 36.0, 5.0))
    date = dt.date(2026, 6, 10)
    beside = [
        replace(pair, day=date + dt.timedelta(n), start=pair.start + n * DAY_MS, stop=pair.stop + n * DAY_MS)
        for n in range(3)
    ]
    (found,) = yield_shortfall.found(replace(history(array_days=days), alike_days=beside))
    assert found.evidence["beside"] == "array.b"
    assert found.evidence["lost_by_volts_wh"] == pytest.approx(3 * 11.0 * 5.0 * 10.0, rel=1e-6)
    assert found.evidence["features"]["by_volts"] == 1.0
    (alone,) = yield_shortfall.found(history(array_days=days))
    assert "beside" not in alone.evidence
    chance = {c.cause: c.probability for c in found.causes}["bypassed-substring"]
    assert chance > {c.cause: c.probability for c in alone.causes}.get("bypassed-substring", 0.0)


# -- through the record ----------------------------------------------------------------------------------------------

SETTINGS = """
[site]
name = "Halves"
latitude = 0.0
longitude = 0.0
timezone = "UTC"
moored = "fixed"
[store]
path = "halves.db"
[[source]]
name = "history"
kind = "csv"
path = "halves.csv"
time = { field = "time", zone = "UTC", label = "start", interval_s = 600 }
"""
ARRAY = """
[[array]]
name = "NAME"
modules_in_series = 2
strings_in_parallel = 2
tilt = 0
azimuth = 180
[array.module]
power = 100
voc = 22.0
isc = 5.95
vmp = 18.0
imp = 5.55
temp_coeff_power = -0.4
temp_coeff_voc = -0.3
temp_coeff_isc = 0.05
cells_in_series = 36
substrings = 2
"""
CHANNEL = '\n[[source.channel]]\nfield = "FIELD"\nchannel = "CHANNEL"\n'


def judged(folder: Path, *, volts: float, amps: float) -> dict[str, Any]:
    """Eight sunny days of two halves, module temperature measured; from the fourth on port has so much less of each."""
    text = SETTINGS + CHANNEL.replace("FIELD", "light").replace("CHANNEL", "irradiance.horizontal.global")
    for name in ("port", "starboard"):
        for field, quantity in (("volts", "voltage"), ("amps", "current"), ("warmth", "module_temperature")):
            text += CHANNEL.replace("FIELD", f"{name} {field}").replace("CHANNEL", f"array.{name}.{quantity}")
    text += "".join(ARRAY.replace("NAME", name) for name in ("port", "starboard"))
    (folder / "halves.toml").write_text(text, encoding="utf-8")
    at = np.arange(8 * 144)
    light = np.maximum(np.sin((at % 144 + 0.5 - 36) / 72 * np.pi), 0.0) * 950.0
    low = at >= 3 * 144
    rows = {"time": pd.date_range("2026-03-18", periods=len(at), freq="10min"), "light": light}
    for name, v, i in (("port", volts, amps), ("starboard", 1.0, 1.0)):
        rows[f"{name} volts"] = 36.0 * (light > 0) * np.where(low, v, 1.0)
        rows[f"{name} amps"] = 11.1 * light / 1000.0 * np.where(low, i, 1.0)
        rows[f"{name} warmth"] = 25.0 + light / 1000.0
    pd.DataFrame(rows).to_csv(folder / "halves.csv", index=False)
    for words in (("import", "halves.csv"), ("assess", "--json")):
        done = subprocess.run(
            [sys.executable, "-m", "dashboard", *words, "--settings", "halves.toml"],
            cwd=folder, capture_output=True, text=True, check=True,
        )  # fmt: skip
    return dict(json.loads(done.stdout))


@pytest.mark.parametrize(("volts", "amps", "cause"), [(0.75, 1.0, "bypassed-substring"), (1.0, 0.5, "open-string")])
def test_what_a_half_lost_names_the_cause(tmp_path: Path, volts: float, amps: float, cause: str) -> None:
    """A quarter of the volts at the same current, one substring in four; half the current at the same volts, one string
    of two. The finding says which half, since when, and beside which."""
    verdict = judged(tmp_path, volts=volts, amps=amps)
    (found,) = [f for f in verdict["findings"] if f["rule"] == "yield-shortfall"]
    assert found["subject"] == "array.port"
    assert found["since"].startswith("2026-03-21")
    assert found["causes"][0]["cause"] == cause
    evidence = found["evidence"]
    assert evidence["beside"] == "array.starboard"
    assert evidence["features"]["by_volts"] == pytest.approx(float(amps == 1.0), abs=0.01)
    assert (evidence["volts_apart_intervals"] > 0) == (amps == 1.0)
    (pair,) = verdict["alike"]
    assert pair["low"] == ("port" if amps == 1.0 else None)
