"""Owns what the instruments said on the grid: an array's, its controller's, the bank's and what stands around it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

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
    stage : ndarray of int
        Charge stage, as an index into `stages`; -1 where unknown.
    heard : ndarray of bool
        Whether any of them was there.
    stages : tuple of str
        The words that the controller has for its stages.
    """

    power: Floats
    voltage: Floats
    current: Floats
    output_voltage: Floats
    output_current: Floats
    heatsink: Floats
    stage: npt.NDArray[np.intp]
    heard: npt.NDArray[np.bool_]
    stages: tuple[str, ...] = ()

    def in_stage(self, *words: str) -> npt.NDArray[np.bool_]:
        """Where the controller says one of these words."""
        # What is unknown looks up the last one.
        return np.array([*(stage in words for stage in self.stages), False])[self.stage]

    def stage_word(self, at: int) -> str | None:
        """What the controller called its stage in one interval, None where it said nothing."""
        code = int(self.stage[at])
        return None if code < 0 else self.stages[code]


def measured(array: Array, controller: Controller | None, stretch: Stretch, grid: Grid) -> Measured:
    """Put what the instruments of an array and its controller said on the grid."""

    def on(channel: str) -> Floats:
        return stretch[channel].on(grid)

    name = controller.name if controller else ""
    voltage, current = on(f"array.{array.name}.voltage"), on(f"array.{array.name}.current")
    out_v, out_a = on(f"controller.{name}.output_voltage"), on(f"controller.{name}.output_current")
    power, _ = powers(array, controller, stretch, grid)
    codes = _stage_codes(f"controller.{name}.stage", stretch, grid)
    words = stretch.words.get(f"controller.{name}.stage", {})
    stage = np.full(len(codes), -1)
    for index, code in enumerate(words):
        stage[codes == code] = index
    heard = np.asarray(np.isfinite(np.stack([voltage, current, power, out_v, out_a, codes])).any(axis=0))
    heatsink = on(f"controller.{name}.temperature")
    return Measured(power, voltage, current, out_v, out_a, heatsink, stage, heard, tuple(words.values()))


def powers(array: Array, controller: Controller | None, stretch: Stretch, grid: Grid) -> tuple[Floats, Floats]:
    """Power of an array at its controller's input and at its output [W], each worked out of the other if need be."""

    def on(channel: str) -> Floats:
        return stretch[channel].on(grid)

    given = on(f"array.{array.name}.voltage") * on(f"array.{array.name}.current")
    if not np.isfinite(given).all():
        given = np.where(np.isfinite(given), given, on(f"array.{array.name}.power"))
    if controller is None:
        return given, given
    out = on(f"controller.{controller.name}.output_voltage") * on(f"controller.{controller.name}.output_current")
    if not np.isfinite(out).all():
        out = np.where(np.isfinite(out), out, on(f"controller.{controller.name}.output_power"))
    given = np.where(np.isfinite(given), given, out / controller.efficiency)
    return given, np.where(np.isfinite(out), out, given * controller.efficiency)


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
    return [c for c in _brought(settings) if c.startswith("dump.") and c.endswith(".current")]


def wind_channels(settings: Settings) -> list[str]:
    """The channels of wind generators' currents and power that the sources bring."""
    return [c for c in _brought(settings) if c.startswith("wind.") and c.endswith((".current", ".power"))]


def _brought(settings: Settings) -> list[str]:
    return sorted({entry.channel for source in settings.source for entry in source.channel})


def of_known_time(said: Measured, grid: Grid, unsettled: Sequence[tuple[int, int]]) -> Measured:
    """The same without the power where nobody vouches for the clock: there the sun is not where it seems to be."""
    doubtful = grid.touched(unsettled)
    return replace(said, power=np.where(doubtful, np.nan, said.power)) if doubtful.any() else said
