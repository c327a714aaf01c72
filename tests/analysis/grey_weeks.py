"""Owns weeks of a vessel with an array on either side, made by the fixtures' physics: sky, modules, meters' errors.

Nothing of the analysis makes the light or the power; only the judging of them is the analysis'.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from analysis.frames import Pieces, Stretch
from analysis.results import TwinDay
from analysis.sun import DAY_MS, Floats
from fixtures.lapwing import sky as told_sky
from fixtures.lapwing import story
from fixtures.lapwing.weather import Spell, stream, wander, weather
from logger.settings import Settings
from tests.analysis import frames
from tests.analysis.whole_days import twin_days

STEP_MS = 5 * 60_000
STAGES = {1: "bulk"}
Heading = Literal["wind", "tide", "gyre"]
GREY = Spell(0, 0.95, 0.33, 3.7, 12.0)
BROKEN = Spell(0, 0.45, 0.48, 3.7, 15.0)
CLEAR = Spell(0, 0.05, 0.50, 3.6, 16.0)
SIDES = {"port": -90.0, "starboard": 90.0}


@dataclass(frozen=True)
class Week:
    """What a week was like.

    Attributes
    ----------
    first : datetime.date
    days : int
    latitude : float
    spell : Spell
        The sky of all its days.
    heading : str
        How she lies: to one ``wind``, turning with the ``tide``, or in a ``gyre`` of her own.
    gain : dict of str to float
        What each side truly gives of a sound array's power; 1 where it is not named.
    sensor : bool
        Whether a light sensor faces up.
    tilt : float
        Of both sides [°].
    seed : int
        Of weather, headings and readings.
    vessel : int
        Of what her meters get wrong for good.
    bare_kit : bool
        Whether volts and amps of each array are heard, minute by minute to a hundredth; else power alone.
    """

    first: dt.date = dt.date(2026, 9, 21)
    days: int = 7
    latitude: float = 47.58
    spell: Spell = GREY
    heading: Heading = "wind"
    gain: tuple[tuple[str, float], ...] = ()
    sensor: bool = False
    tilt: float = 15.0
    seed: int = 1
    vessel: int = 1
    bare_kit: bool = False


def settings(week: Week) -> Settings:
    """The vessel: two arrays of the same modules, each on its own controller."""
    module = {
        "power": 175.0, "voc": 24.3, "isc": 9.2, "vmp": 20.2, "imp": 8.67, "temp_coeff_power": -0.36,
        "temp_coeff_voc": -0.28, "temp_coeff_isc": 0.05, "cells_in_series": 36, "substrings": 2,
    }  # fmt: skip
    return frames.settings(
        site={"name": "Test", "latitude": week.latitude, "longitude": 0.0, "timezone": "UTC", "moored": "swinging"},
        array=[
            {
                "name": name, "controller": name, "modules_in_series": 2, "strings_in_parallel": 1, "tilt": week.tilt,
                "azimuth": azimuth % 360.0, "mounting": "gap", "module": module,
            }
            for name, azimuth in SIDES.items()
        ],
        controller=[{"name": name, "enclosure": "box"} for name in SIDES],
        cable=[],
    )  # fmt: skip


def compass(week: Week, minutes: Floats) -> Floats:
    """True heading over the week [°]."""
    about = stream(week.seed, "where she lies").uniform(0.0, 360.0)
    yaw = 15.0 * wander(week.seed, "yaw", len(minutes), 40)
    way: dict[str, Callable[[], Floats]] = {
        "wind": lambda: about + 20.0 * wander(week.seed, "wind shifts", len(minutes), 3000),
        "tide": lambda: about + 180.0 * (np.floor(minutes / 372.6) % 2),
        "gyre": lambda: about + 360.0 * wander(week.seed, "gyre", len(minutes), 900),
    }
    return np.asarray((way[week.heading]() + yaw) % 360.0)


def said(week: Week) -> Stretch:
    """What the instruments say over the week, means of five minutes."""
    start = round(dt.datetime.combine(week.first, dt.time(), dt.UTC).timestamp() * 1000)
    minute = np.arange(0, week.days * 1440, dtype=float)
    sun = told_sky.sun(start / 1000 + 60.0 * minute + 30.0, week.latitude, 0.0)
    # The sky lives on in the fixtures' own way; its hours count from the week's first midnight.
    air = weather(week.seed, sun, minute / 60.0, [week.spell, replace(week.spell, hour=24.0 * week.days)])
    heading = compass(week, minute)
    random, meters = stream(week.seed, "readings"), stream(week.vessel, "meters")
    pieces: dict[str, Pieces] = {}

    def say(channel: str, values: Floats) -> None:
        mean = values.reshape(-1, STEP_MS // 60_000).mean(axis=1)
        times = start + np.arange(len(mean), dtype=np.int64) * STEP_MS
        pieces[channel] = Pieces(times, np.full(len(mean), STEP_MS, dtype=np.int64), mean)

    for name, azimuth in SIDES.items():
        direct, rest = told_sky.on_plane(sun, air.beam, air.diffuse, week.tilt, (heading + azimuth) % 360.0)  # type: ignore[arg-type]
        light = direct + rest
        array = replace(story.CABIN, in_parallel=1, tilt=week.tilt)
        back = array.heated(light, air.outside, air.wind)
        diode = array.whole(light, back + 2.0 * light / 1000.0, np.full(len(light), 0.05))
        junction = diode.best()
        volts = diode.voltage(junction)
        watts = np.where(light > 1.0, np.maximum(volts * diode.current(junction), 0.0), 0.0)
        watts *= dict(week.gain).get(name, 1.0) * (1.0 + 0.004 * random.standard_normal(len(light)))
        # Meters of 1 % (one sigma) in power, and a hundredth of an ampere of offset.
        gain, zero = 1.0 + 0.01 * meters.standard_normal(), 0.01 * meters.standard_normal()
        if week.bare_kit:
            amps = gain * np.divide(watts, volts, out=np.zeros_like(watts), where=volts > 1.0) + zero
            say(f"array.{name}.voltage", np.round(np.where(light > 1.0, volts, 0.0), 2))
            say(f"array.{name}.current", np.round(amps + 0.004 * random.standard_normal(len(amps)), 2))
        else:
            say(f"array.{name}.power", gain * watts + zero * 36.0)
        say(f"controller.{name}.stage", np.ones(len(light)))
    if week.sensor:
        say(
            "irradiance.horizontal.global",
            (air.beam * sun.height + air.diffuse) * (1.0 + 0.02 * meters.standard_normal()),
        )
        say("air.outside.temperature", air.outside)
    words = {f"controller.{name}.stage": STAGES for name in SIDES}
    return Stretch(start, start + week.days * DAY_MS, pieces, words)


def days(week: Week) -> list[TwinDay]:
    """The week's twin days, as the analysis sees them."""
    return twin_days(said(week), settings(week))


def history(found: list[TwinDay], week: Week, **more: Any) -> dict[str, Any]:
    """What a rule looks at, with nothing in it but these days."""
    empty: dict[str, Any] = dict.fromkeys(("array_days", "loops", "enclosures", "bank_days", "states"), ())
    return {"settings": settings(week), "stop": found[-1].stop if found else 0, "twin_days": found, **empty, **more}
