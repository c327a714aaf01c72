"""Owns small frames for tests of the analysis: channels as arrays over the minutes of one day."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np

from analysis.budget import Budget
from analysis.controllers import Allowed
from analysis.expected import Expected
from analysis.frames import Pieces, Stretch
from analysis.modules import Electrics
from analysis.results import SunDay
from analysis.sun import DAY_MS, Floats
from logger.settings import Settings

START = round(dt.datetime(2026, 6, 10, tzinfo=dt.UTC).timestamp() * 1000)
MINUTE_MS = 60_000
STAGES = {0: "off", 1: "bulk", 2: "absorption", 3: "float"}


def minutes(values: Floats | float, first_hour: float = 0.0, count: int | None = None) -> Pieces:
    """A channel read each minute from an hour of the day on; NaN where it was not heard."""
    values = np.full(count or 1440, float(values)) if np.isscalar(values) else np.asarray(values, dtype=float)
    start = START + round(first_hour * 60) * MINUTE_MS + np.arange(len(values), dtype=np.int64) * MINUTE_MS
    known = np.isfinite(values)
    return Pieces(start[known], np.full(known.sum(), MINUTE_MS, dtype=np.int64), values[known])


def stretch(**channels: Pieces) -> Stretch:
    """Frames by channel; dots are written as double underscores."""
    named = {name.replace("__", "."): pieces for name, pieces in channels.items()}
    words = {name: STAGES for name in named if name.endswith(".stage")}
    return Stretch(START, START + DAY_MS, named, words)


def settings(**more: Any) -> Settings:
    """One array, its controller and its two runs of cable, at latitude 0 and longitude 0."""
    module = {
        "power": 100.0, "voc": 22.0, "isc": 5.95, "vmp": 18.0, "imp": 5.55, "temp_coeff_power": -0.4,
        "temp_coeff_voc": -0.3, "cells_in_series": 36, "substrings": 2,
    }  # fmt: skip
    base: dict[str, Any] = {
        "site": {"name": "Test", "latitude": 0.0, "longitude": 0.0, "timezone": "UTC", "moored": "fixed"},
        "store": {"path": "test.db"},
        "array": [
            {
                "name": "a", "controller": "c", "modules_in_series": 2, "strings_in_parallel": 1, "tilt": 0.0,
                "azimuth": 180.0, "mounting": "rack", "module": module,
            }
        ],
        "controller": [{"name": "c", "enclosure": "box", "output_current_limit": 10.0, "efficiency": 0.96}],
        "cable": [
            {"name": "run", "carries": "array.a", "length": 10.0, "area": 4.0},
            {"name": "feed", "carries": "controller.c", "length": 1.0, "area": 6.0},
        ],
        "bank": {"name": "house", "nominal_voltage": 24.0},
        "enclosure": [{"name": "box", "temperature_limit": 50.0, "surroundings": "air.cabin"}],
        "fan": [{"name": "box", "enclosure": "box"}],
    }  # fmt: skip
    return Settings.model_validate(base | more)


def could(
    power: Floats,
    plane: Floats | float = 800.0,
    opened: float = 44.0,
    best: float = 36.0,
    free: Floats | None = None,
) -> Expected:
    """An expectation of that power, 7 % wide, with the array's volts; `free` where the bank binds it."""
    fill = np.full(len(power), 1.0)
    unbound = power if free is None else free
    allowed = Allowed(unbound, unbound, power, best * fill, opened * fill)
    electrics = Electrics(settings().array[0].module, plane * fill, 45.0 * fill)
    errors = Budget((0.07 / 1.96 * power,), 0.0 * fill, 60_000)
    return Expected(power, 0.93 * power, 1.07 * power, 45.0 * fill, electrics, allowed, errors)


def sun_day() -> SunDay:
    return SunDay(
        dt.date(2026, 6, 10), START, START + DAY_MS, START + 6 * 3_600_000, START + 12 * 3_600_000,
        START + 18 * 3_600_000, "hash",
    )  # fmt: skip
