"""Owns what the instruments said on the grid: an array's, its controller's, the bank's and what stands around it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis import whereabouts
from analysis.frames import Grid, Stretch
from analysis.sun import Floats
from logger.settings import Array, Controller, Settings


@dataclass(frozen=True, slots=True)
class Measured:
    """What the array's instruments said on the grid, NaN where they did not.

    Attributes
    ----------
    power : ndarray
        At the controller's input [W]: volts × amps; else `.power`; else output over efficiency.
    voltage, current, output_voltage, output_current : ndarray
        [V], [A].
    heatsink : ndarray
        Of the controller [°C].
    stage : ndarray of object
        Charge stage, None where unknown.
    heard : ndarray of bool
        Whether any of them was there.
    """

    power: Floats
    voltage: Floats
    current: Floats
    output_voltage: Floats
    output_current: Floats
    heatsink: Floats
    stage: npt.NDArray[np.object_]
    heard: npt.NDArray[np.bool_]


def measured(array: Array, controller: Controller | None, stretch: Stretch, grid: Grid) -> Measured:
    """Put what the instruments of an array and its controller said on the grid."""

    def on(channel: str) -> Floats:
        return stretch[channel].on(grid)

    name = controller.name if controller else ""
    voltage, current = on(f"array.{array.name}.voltage"), on(f"array.{array.name}.current")
    out_v, out_a = on(f"controller.{name}.output_voltage"), on(f"controller.{name}.output_current")
    out_w = on(f"controller.{name}.output_power")
    out_w = np.where(np.isfinite(out_v * out_a), out_v * out_a, out_w)
    power = voltage * current
    power = np.where(np.isfinite(power), power, on(f"array.{array.name}.power"))
    if controller:
        power = np.where(np.isfinite(power), power, out_w / controller.efficiency)
    codes = _stage_codes(f"controller.{name}.stage", stretch, grid)
    stage = np.full(len(codes), None, dtype=object)
    for code, word in stretch.words.get(f"controller.{name}.stage", {}).items():
        stage[codes == code] = word
    heard = np.asarray(np.isfinite(np.stack([voltage, current, power, out_v, out_a, codes])).any(axis=0))
    heatsink = on(f"controller.{name}.temperature")
    return Measured(power, voltage, current, out_v, out_a, heatsink, stage, heard)


def _stage_codes(channel: str, stretch: Stretch, grid: Grid) -> Floats:
    """The code that holds at the middle of each interval: codes are never averaged."""
    pieces = stretch[channel]
    if len(pieces.start) == 0:
        return np.full(len(grid.start), np.nan)
    at = np.searchsorted(pieces.start, grid.middle, side="right") - 1
    inside = (at >= 0) & (grid.middle < (pieces.start + pieces.length)[np.maximum(at, 0)])
    return np.where(inside, pieces.value[np.maximum(at, 0)], np.nan)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """On the grid, NaN where nothing was said.

    Attributes
    ----------
    bank_v, bank_a, bank_c : ndarray
        Bank's volts [V], current into it [A], temperature [°C].
    solar_a : ndarray
        Output of all controllers together [A]; NaN where one of them was not heard.
    dump_a : ndarray
        Into the dump load [A].
    """

    bank_v: Floats
    bank_a: Floats
    bank_c: Floats
    solar_a: Floats
    dump_a: Floats


def around(settings: Settings, stretch: Stretch, grid: Grid) -> Surroundings:
    """Put what the bank, the controllers and the dump said on the grid."""
    nothing = np.full(len(grid.start), np.nan)

    def bank(quantity: str) -> Floats:
        return stretch[f"bank.{settings.bank.name}.{quantity}"].on(grid) if settings.bank else nothing

    outputs = [stretch[f"controller.{c.name}.output_current"].on(grid) for c in settings.controller]
    dumps = [stretch[channel].on(grid) for channel in dump_channels(settings)]
    return Surroundings(
        bank("voltage"),
        bank("current"),
        bank("temperature"),
        np.sum(outputs, axis=0) if outputs else nothing,
        np.sum(dumps, axis=0) if dumps else nothing,
    )


def dump_channels(settings: Settings) -> list[str]:
    """The channels of dump loads' currents that the sources bring."""
    named = (entry.channel for source in settings.source for entry in source.channel)
    return sorted({c for c in named if c.startswith("dump.") and c.endswith(".current")})


def wanted_channels(settings: Settings) -> list[str]:
    """All channels that the analysis of such a vessel reads."""
    wanted = [
        "irradiance.horizontal.global", "irradiance.horizontal.illuminance", "irradiance.diffuse.horizontal",
        "irradiance.direct.normal", "air.outside.temperature", "air.outside.wind_speed", "site.attitude.heading",
        "site.attitude.heel", "site.attitude.pitch", *whereabouts.CHANNELS,
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
    wanted += dump_channels(settings)
    for box in settings.enclosure:
        wanted.append(f"enclosure.{box.name}.temperature")
        if box.surroundings:
            wanted.append(f"{box.surroundings}.temperature")
    wanted += [f"fan.{fan.name}.running" for fan in settings.fan]
    return wanted
