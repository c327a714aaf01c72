"""Owns what of the record the analysis reads: which channels, and in which part of a day."""

from __future__ import annotations

from analysis import whereabouts
from analysis.frames import Grid, Stretch, grid_for
from analysis.instruments import dump_channels, wind_channels
from analysis.results import SunDay
from logger.rollup import MINUTE_MS
from logger.settings import Array, Settings

# Read at night too: what happens to the bank and in the box then counts.
ALWAYS = ("bank.", "enclosure.", "air.cabin.", "irradiance.", "site.position.", "wind.")
_BEFORE_LIGHT_MS, _AFTER_LIGHT_MS = 30 * MINUTE_MS, 120 * MINUTE_MS


def window(sun: SunDay) -> tuple[int, int]:
    """The part of a day in which the arrays may say something; a polar night leaves an hour around noon."""
    if sun.first_light is None and sun.last_light is None:
        return sun.start, sun.stop
    first, last = sun.daylight
    return max(first - _BEFORE_LIGHT_MS, sun.start), min(last + _AFTER_LIGHT_MS, sun.stop)


def wanted_channels(settings: Settings) -> list[str]:
    """The channels of a vessel with these parts that the analysis reads."""
    wanted = [
        "irradiance.horizontal.global", "irradiance.horizontal.illuminance", "irradiance.diffuse.horizontal",
        "irradiance.direct.normal", "irradiance.weather.global", "air.outside.temperature", "air.outside.wind_speed",
        "site.attitude.heading", "site.attitude.heel", "site.attitude.pitch", *whereabouts.CHANNELS,
    ]  # fmt: skip
    if any(array.module.technology for array in settings.array):
        wanted.append("air.outside.humidity")
    for array in settings.array:
        wanted += [f"irradiance.{array.name}.plane", f"irradiance.{array.name}.reference_current"]
        wanted += [
            f"array.{array.name}.{q}" for q in ("voltage", "current", "power", "module_voltage", "module_temperature")
        ]
    for controller in settings.controller:
        wanted += [
            f"controller.{controller.name}.{q}"
            for q in ("output_voltage", "output_current", "output_power", "stage", "temperature")
        ]
    if settings.bank:
        wanted += [f"bank.{settings.bank.name}.{q}" for q in ("voltage", "current", "temperature", "state_of_charge")]
    wanted += [*dump_channels(settings), *wind_channels(settings)]
    for box in settings.enclosure:
        wanted.append(f"enclosure.{box.name}.temperature")
        if box.surroundings:
            wanted.append(f"{box.surroundings}.temperature")
    wanted += [f"fan.{fan.name}.running" for fan in settings.fan]
    return wanted


def grid_of(array: Array, stretch: Stretch, sun: SunDay) -> Grid:
    """As coarse as the coarsest of what must be known of an array: one kind of power, one kind of light."""
    powers = [f"array.{array.name}.{q}" for q in ("voltage", "current", "power")]
    lights = [
        f"irradiance.{array.name}.plane",
        f"irradiance.{array.name}.reference_current",
        "irradiance.horizontal.global",
        "irradiance.horizontal.illuminance",
    ]
    power = [p for c in powers if len((p := stretch[c].between(sun.start, sun.stop)).start)]
    light = [p for c in lights if len((p := stretch[c].between(sun.start, sun.stop)).start)]
    return grid_for([*power, *light[:1]], sun.start, sun.stop)
