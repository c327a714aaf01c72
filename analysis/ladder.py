"""Owns the losses as a ladder: from a cloudless sky, rung by rung, to what reached the bank; the rungs add up."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis import states
from analysis.expected import Expected
from analysis.frames import Grid
from analysis.instruments import Measured
from analysis.irradiance import Light
from analysis.modules import STC_IRRADIANCE
from analysis.results import LADDER, Ladder, SunDay
from analysis.states import Codes
from analysis.sun import Floats
from logger.settings import Array, Controller

Mask = npt.NDArray[np.bool_]
# Under this much clear light in the plane its share of cloud cannot be told from the plane [W/m²].
_LEAST_CLEAR_WM2 = 20.0
# Cloud enhancement brightens a clear sky by half at the most that was ever measured over minutes; beyond it the sun's
# place in the plane is at fault, and the rest counts as orientation; common practice, no source.
_BRIGHTEST = 1.5


@dataclass(frozen=True, slots=True)
class Ohms:
    """Resistance of the two runs of cable of an array [Ω], both conductors; 0 where it is not known."""

    home: float
    feed: float


def of_day(
    array: Array,
    controller: Controller | None,
    day: SunDay,
    mask: Mask,
    grid: Grid,
    clear: tuple[Floats, Floats],
    horizontal: Floats,
    light: Light,
    said: Measured,
    expected: Expected,
    state: Codes,
    ohms: Ohms,
) -> Ladder | None:
    """The ladder of one array's day, over the intervals in which its energies are counted.

    Parameters
    ----------
    mask : ndarray of bool
        The intervals of the grid that begin in this day.
    clear : tuple of ndarray
        A cloudless sky on the horizontal and in the plane of the array [W/m²].
    horizontal : ndarray
        Measured global horizontal irradiance [W/m²], NaN where it was not.
    state : ndarray
        Operating states.

    Returns
    -------
    Ladder or None
        None where light and power are never known together.
    """
    counted = mask & np.isfinite(said.power) & np.isfinite(expected.power) & (light.plane >= states.LEAST_LIGHT_WM2)
    if not counted.any():
        return None

    def pick(values: Floats) -> Floats:
        return values[counted]

    size = array.rated_w / STC_IRRADIANCE
    allowed, electrics, code = expected.allowed, expected.electrics, state[counted]
    clear_flat = pick(clear[0])
    plane = pick(light.plane)
    flat = np.where(np.isfinite(pick(horizontal)), pick(horizontal), _flat(plane, clear_flat, pick(clear[1])))
    # Unequal modules lose by being joined: that is the drawing's doing, in any light.
    apart = 1.0 / electrics.matched
    cool = array.rated_w * pick(electrics.dim_ratio) * apart
    modules, power = pick(allowed.modules) * apart, pick(said.power)
    # A length typed in centimetres makes a run that would take more than there is: no rung holds more than arrives.
    cable = np.minimum(amps(array, said, expected)[counted] ** 2 * ohms.home, np.maximum(power, 0.0))
    by_drawing = modules * (1.0 - electrics.matched) + pick(allowed.free) - pick(allowed.power)
    missing = modules - power - cable - by_drawing
    out_w, out_a = _output(controller, said, counted)
    feed = np.minimum(out_a**2 * ohms.feed, np.maximum(out_w, 0.0))

    def wh(watts: Floats, where: Mask | None = None) -> float:
        return float((watts if where is None else watts[where]).sum() * grid.hours)

    limited, covered = np.isin(code, states.LIMITED), code == states.COVERED
    return Ladder(
        array=array.name,
        day=day.day,
        start=day.start,
        clear_sky_wh=wh(clear_flat * size),
        cloud_wh=wh((clear_flat - flat) * size),
        orientation_wh=wh((flat - plane) * size),
        dim_light_wh=wh(plane * size - cool),
        warmth_wh=wh(cool - modules),
        unexplained_wh=wh(missing, ~limited & ~covered),
        covered_wh=wh(missing, covered),
        volts_wh=wh(by_drawing),
        limits_wh=wh(missing, limited),
        cable_wh=wh(cable),
        controller_wh=wh(power - out_w),
        feed_wh=wh(feed),
        bank_wh=wh(out_w - feed),
    )


def _flat(plane: Floats, clear_flat: Floats, clear_plane: Floats) -> Floats:
    """The light on the horizontal where only the plane's is measured: cloud takes the same share of both."""
    told = clear_plane >= _LEAST_CLEAR_WM2
    share = np.where(told, plane / np.where(told, clear_plane, 1.0), plane / np.maximum(clear_flat, _LEAST_CLEAR_WM2))
    return np.asarray(clear_flat * np.clip(share, 0.0, _BRIGHTEST))


def amps(array: Array, said: Measured, expected: Expected) -> Floats:
    """Current in the array's cable: measured, else the power's at the best point's volts; 0 where neither tells [A]."""
    volts = expected.allowed.best_volts
    vmp = array.module.vmp
    volts = np.where(np.isfinite(volts), volts, array.modules_in_series * vmp if vmp else np.inf)
    worked_out = said.power / np.where(volts > 0, volts, np.inf)
    return np.nan_to_num(np.where(np.isfinite(said.current), said.current, worked_out))


def _output(controller: Controller | None, said: Measured, where: Mask) -> tuple[Floats, Floats]:
    """Power and current at the controller's output: measured, else by its efficiency; no current where unknown."""
    power, volts, amps = said.power[where], said.output_voltage[where], said.output_current[where]
    assumed = power * (controller.efficiency if controller else 1.0)
    out = np.where(np.isfinite(volts * amps), volts * amps, assumed)
    with np.errstate(divide="ignore", invalid="ignore"):
        worked_out = np.where(volts > 0, out / volts, 0.0)
    return out, np.where(np.isfinite(amps), amps, np.nan_to_num(worked_out))


def clear_day_index(ladders: Sequence[Ladder]) -> float | None:
    """Light on the horizontal over that of a cloudless sky: 1 on a clear day; None where no day has a ladder."""
    clear = sum(one.clear_sky_wh for one in ladders)
    return 1.0 - sum(one.cloud_wh for one in ladders) / clear if clear > 0 else None


def total(ladders: Sequence[Ladder]) -> Mapping[str, float] | None:
    """Each rung over several days; None where no day has a ladder."""
    if not ladders:
        return None
    return {name: sum(getattr(one, name) for one in ladders) for name in LADDER}
