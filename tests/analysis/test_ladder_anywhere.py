"""The ladder adds up and potential energy is known wherever she is, whatever she carries, and whatever holds it back.

Groups of modules, passages and tracks, polar night and midnight sun, controllers that track and that switch, part of a
string in shade, banks on the edge of what the volts reach: all of them together, by property.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis import states
from analysis.frames import Pieces, Stretch
from analysis.results import LADDER
from analysis.sun import DAY_MS, Floats
from fixtures.lapwing import sky as told_sky
from logger.settings import Settings
from tests.analysis import frames, whole_days

STEP_MS = 15 * 60_000
DAYS = 2
N = DAYS * DAY_MS // STEP_MS
LIMITED = {states.WORDS[code] for code in states.LIMITED}


@dataclass(frozen=True)
class Vessel:
    """Where she is, in which season, what she carries, and what her instruments say in eight parts of two days."""

    month: int
    latitude: float
    way: str
    kind: str
    in_series: int
    bank_v: float
    headroom: tuple[float, float]
    lies: str
    thin: bool
    stages: list[int]
    gives: list[float]
    volts: list[float]
    cloud: list[float]
    light: str


vessels = st.builds(
    Vessel,
    month=st.sampled_from([1, 3, 6, 12]),
    latitude=st.sampled_from([-35.0, 0.0, 47.58, 69.0, 80.0]),
    way=st.sampled_from(["berth", "passage", "under way"]),
    kind=st.sampled_from(["mppt", "pwm"]),
    in_series=st.sampled_from([1, 2]),
    bank_v=st.floats(11.0, 31.0),
    headroom=st.tuples(st.floats(0.0, 8.0), st.floats(0.0, 4.0)),
    lies=st.sampled_from(["one way", "two ways", "unequal modules"]),
    thin=st.booleans(),
    stages=st.lists(st.integers(0, 3), min_size=8, max_size=8),
    gives=st.lists(st.integers(-1, 26).map(lambda n: n / 20), min_size=8, max_size=8),
    volts=st.lists(st.sampled_from([0.0, 0.4, 0.5, 0.75, 0.8, 0.97]), min_size=8, max_size=8),
    cloud=st.lists(st.integers(0, 24).map(lambda n: n / 20), min_size=8, max_size=8),
    light=st.sampled_from(["plane", "horizontal", "lux", "weather", "none"]),
)


def drawn(v: Vessel) -> Settings:
    base = frames.settings()
    module = base.array[0].module.model_dump(exclude_none=True)
    if v.thin:
        module = {key: module[key] for key in ("power", "temp_coeff_power", "vmp", "imp")}
    ways = [{"modules": 1, "tilt": 5.0, "azimuth": 90.0}, {"modules": 1, "tilt": 35.0, "azimuth": 270.0}]
    other = module | {"power": 60.0, "imp": 3.4} | ({} if v.thin else {"isc": 3.7})
    alike = {"modules": 1, "tilt": 15.0, "azimuth": 180.0}
    unequal = [alike, alike | {"module": other}]
    groups = {"one way": [], "two ways": ways, "unequal modules": [] if v.thin else unequal}[v.lies]
    array = base.array[0].model_dump(by_alias=True, exclude_none=True) | {
        "tilt": 15.0, "module": module, "modules_in_series": v.in_series, "strings_in_parallel": 2 // v.in_series,
        "group": groups,
    }  # fmt: skip
    first = start(v)
    days = [dt.datetime.fromtimestamp(t / 1000, dt.UTC).date() for t in (first, first + DAYS * DAY_MS)]
    passage = [{"from": days[0], "until": days[1], "latitude": v.latitude, "longitude": 0.0, "around": "snow"}]
    controller = {
        "name": "c", "type": v.kind, "enclosure": "box", "output_current_limit": 10.0, "absorption_v": 28.8,
        "float_v": 27.2, "start_headroom_v": v.headroom[0], "run_headroom_v": v.headroom[1],
    }  # fmt: skip
    site = base.site.model_dump(exclude_none=True) | {
        "latitude": v.latitude if v.way == "berth" else 10.0,
        "moored": "under way" if v.way == "under way" else "fixed",
    }
    return frames.settings(
        site=site, array=[array], controller=[controller], **({"passage": passage} if v.way == "passage" else {})
    )


def start(v: Vessel) -> int:
    return round(dt.datetime(2026, v.month, 20, tzinfo=dt.UTC).timestamp() * 1000)


def said(v: Vessel) -> Stretch:
    first = start(v)
    t = first + np.arange(N, dtype=np.int64) * STEP_MS
    sun = told_sky.sun(t / 1000 + 450.0, v.latitude, 0.0)
    beam, diffuse = told_sky.clear_sky(sun, np.full(N, 3.5))
    part = np.arange(N) * 8 // N

    def by_part(values: list[Any]) -> Floats:
        return np.array(values, dtype=float)[part]

    ghi = (beam * sun.height + diffuse) * by_part(v.cloud)
    power = 0.2 * ghi * by_part(v.gives)
    volts = np.maximum(22.0 * v.in_series * by_part(v.volts), 0.1)
    channels: dict[str, Floats] = {
        "array.a.voltage": volts, "array.a.current": power / volts, "controller.c.stage": by_part(v.stages),
        "controller.c.output_voltage": np.full(N, v.bank_v), "bank.house.voltage": np.full(N, v.bank_v),
        "controller.c.output_current": 0.95 * np.maximum(power, 0.0) / v.bank_v,
    }  # fmt: skip
    lights = {
        "plane": ("irradiance.a.plane", ghi), "horizontal": ("irradiance.horizontal.global", ghi),
        "lux": ("irradiance.horizontal.illuminance", 107.0 * ghi), "weather": ("irradiance.weather.global", ghi),
    }  # fmt: skip
    if v.light in lights:
        channels.update([lights[v.light]])
    if v.way == "under way":
        channels["site.position.latitude"] = np.full(N, v.latitude)
        channels["site.position.longitude"] = np.linspace(-0.5, 0.5, N)
    pieces = {name: Pieces(t, np.full(N, STEP_MS, dtype=np.int64), values) for name, values in channels.items()}
    return Stretch(first, first + DAYS * DAY_MS, pieces, {"controller.c.stage": frames.STAGES})


@given(vessel=vessels)
@settings(max_examples=80)
def test_the_rungs_sum_to_the_whole_and_every_limit_has_its_potential(vessel: Vessel) -> None:
    """To within 0.1 % of the largest rung on every day; and in every minute in which something held the array back in
    known light, what it could have given is a number, no less than nothing, and counted."""
    (of_array,) = whole_days.judged(said(vessel), drawn(vessel)).values()
    for one in of_array:
        assert (one.ladder is None) == (one.day.measured_wh is None)
        held = {run.state for run in one.states} & LIMITED
        if one.ladder is None:
            continue
        values = [getattr(one.ladder, name) for name in LADDER]
        assert np.isfinite(values).all()
        off = one.ladder.clear_sky_wh - sum(values[1:-1]) - one.ladder.bank_wh
        assert abs(off) <= 1e-3 * max(np.abs(values)) + 1e-9
        minutes = one.expected
        for run in (run for run in one.states if run.state in LIMITED):
            inside = (minutes.start >= run.start) & (minutes.start < run.stop)
            could = minutes["expected_w"][inside & (minutes["plane_wm2"] >= states.LEAST_LIGHT_WM2)]
            assert np.isfinite(could).all()
            assert (could >= 0.0).all()
        assert one.day.curtailed_wh is not None
        assert held or one.day.curtailed_wh == 0.0


@given(vessel=vessels)
@settings(max_examples=30)
def test_nothing_is_made_of_a_polar_night(vessel: Vessel) -> None:
    """While the sun stays down no day has a ladder, a state but night, or an energy."""
    dark = replace(vessel, month=12, latitude=80.0)
    (of_array,) = whole_days.judged(said(dark), drawn(dark)).values()
    for one in of_array:
        assert one.ladder is None
        assert one.day.expected_wh is None
        assert {run.state for run in one.states} <= {"night"}
