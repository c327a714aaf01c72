"""Owns what a charge controller can make of an array: at its best point, or at the volts that the bank demands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis import diodes, mismatch, uneven
from analysis.diodes import STC_C
from analysis.modules import STC_IRRADIANCE, Electrics
from analysis.sun import Floats
from logger.settings import Array, Controller

Mask = npt.NDArray[np.bool_]
# Of the best power: where the bank's volts cost more than this, they and not the array set the harvest.
BOUND_SHARE = 0.95


@dataclass(frozen=True, slots=True)
class Allowed:
    """What light, warmth and the volts of the bank allow an array.

    Attributes
    ----------
    modules : ndarray
        Power of the modules at their best point, before any cable [W].
    free : ndarray
        The same at the controller's input, cable loss by the design resistance deducted [W].
    power : ndarray
        At the controller's input with the volts that the bank demands [W].
    best_volts, open_volts : ndarray
        Of the array at the controller's input [V]; NaN where the datasheet is too thin.
    """

    modules: Floats
    free: Floats
    power: Floats
    best_volts: Floats
    open_volts: Floats

    @property
    def bound(self) -> Mask:
        """Where the volts of the bank keep the array far from its best point."""
        return np.asarray(self.power < BOUND_SHARE * self.free)


def allowed(
    array: Array,
    controller: Controller | None,
    loop_ohm: float | None,
    electrics: Electrics,
    bank_v: Floats,
    morning: Mask,
) -> Allowed:
    """What an array can give its controller in each interval.

    A tracking controller that steps volts down starts once the array shows the bank's volts and `start_headroom_v`
    more, and then keeps the array at or above the bank's volts and `run_headroom_v`. A PWM controller joins the array
    to the bank: the modules' current at the bank's volts. Where nobody measures the bank, a tracking controller is
    taken to be free; of a PWM controller nothing is known.

    Parameters
    ----------
    array : Array
    controller : Controller or None
        None takes a tracking one that the bank does not bind.
    loop_ohm : float or None
        Design resistance of the array's cable, both conductors [Ω].
    electrics : Electrics
        Of one of its modules.
    bank_v : ndarray
        Volts at the controller's output [V], NaN where unknown.
    morning : ndarray of bool
        The first interval of each day, in which no controller runs yet.
    """
    ohm = loop_ohm or 0.0
    if electrics.ranks is not None:
        return _uneven(array, controller, ohm, electrics, bank_v, morning)
    modules = array.rated_w * electrics.power_ratio
    best_v, amps = _best(array, electrics, modules)
    free = modules * (1.0 - _cable_share(best_v, amps, ohm))
    at_input = best_v - amps * ohm
    open_v = electrics.open_volts
    opened = np.full(len(free), np.nan) if open_v is None else array.modules_in_series * open_v
    if electrics.best_volts is None:
        at_input = np.full(len(free), np.nan)
    if controller is not None and controller.type == "pwm":
        power = _joined(array, electrics, bank_v, ohm)
    elif controller is not None and electrics.table is not None:
        need = bank_v + controller.run_headroom_v
        power = free.copy()
        low = np.flatnonzero(at_input < need)
        if len(low):
            power[low] = np.minimum(_at_volts(array, electrics, need, ohm, low), free[low])
        power = _while_running(controller, power, free, opened, bank_v, morning)
    else:
        power = free
    return Allowed(modules, free, power, at_input, opened)


def _while_running(
    controller: Controller, power: Floats, free: Floats, opened: Floats, bank_v: Floats, morning: Mask
) -> Floats:
    """Nothing until the array's open-circuit volts start the controller, and after they have stopped it."""
    need = bank_v + controller.run_headroom_v
    starts = (opened >= bank_v + controller.start_headroom_v) | ~np.isfinite(need)
    running = _running(starts, opened <= need, morning)
    return np.where(running | ~np.isfinite(free), power, 0.0)


def _uneven(
    array: Array, controller: Controller | None, ohm: float, electrics: Electrics, bank_v: Floats, morning: Mask
) -> Allowed:
    """The same for alike modules that lie in several ways: the best of a string's steps whose volts reach the bank."""
    string = uneven.String(array, electrics, ohm)
    steps = string.steps()
    best = np.argmax([step.watts for step in steps], axis=0)
    modules, free, at_input = (
        np.choose(best, [getattr(step, name) for step in steps]) for name in ("modules", "watts", "volts")
    )
    opened = string.open_volts()
    if controller is not None and controller.type == "pwm":
        power = string.watts_at(bank_v)
    elif controller is not None:
        need = bank_v + controller.run_headroom_v
        reached = np.max([np.where(step.volts < need, 0.0, step.watts) for step in steps], axis=0)
        power = reached.copy()
        low = np.flatnonzero(at_input < need)
        if len(low):
            power[low] = np.clip(string.at(low).watts_at(need[low]), reached[low], free[low])
        power = _while_running(controller, power, free, opened, bank_v, morning)
    else:
        power = free
    known = np.isfinite(electrics.plane)
    return Allowed(*(np.where(known, value, np.nan) for value in (modules, free, power, at_input, opened)))


def best_power(array: Array, loop_ohm: float | None, electrics: Electrics) -> Floats:
    """Power at the controller's input at the array's best point [W], cable loss by the design resistance deducted."""
    modules = array.rated_w * electrics.power_ratio
    return modules * (1.0 - _cable_share(*_best(array, electrics, modules), loop_ohm or 0.0))


def best_volts(array: Array, loop_ohm: float | None, electrics: Electrics) -> Floats:
    """Volts at the controller's input at the array's best point [V]; NaN where the datasheet does not tell."""
    if electrics.best_volts is None:
        return np.full(len(electrics.plane), np.nan)
    volts, amps = _best(array, electrics, array.rated_w * electrics.power_ratio)
    return np.asarray(volts - amps * (loop_ohm or 0.0))


def _cable_share(volts: Floats, amps: Floats, ohm: float) -> Floats:
    """Share of the modules' power that the cable takes; nothing where volts are not known."""
    return np.asarray(np.clip(np.where(volts > 0, amps * ohm / np.where(volts > 0, volts, 1.0), 0.0), 0.0, 1.0))


def _best(array: Array, electrics: Electrics, modules: Floats) -> tuple[Floats, Floats]:
    """Volts and amps of the array's modules at their best point; nothing where the datasheet does not tell."""
    module = array.module
    if electrics.best_volts is not None:
        volts = array.modules_in_series * electrics.best_volts
        with np.errstate(divide="ignore", invalid="ignore"):
            return volts, np.where(volts > 0, modules / np.where(volts > 0, volts, 1.0), 0.0)
    if module.imp is None or module.vmp is None:
        nothing = np.zeros(len(modules))
        return nothing, nothing
    amps = array.strings_in_parallel * module.imp * np.maximum(electrics.plane, 0.0) / STC_IRRADIANCE
    return np.full(len(modules), array.modules_in_series * module.vmp), amps


def _running(starts: Mask, stops: Mask, morning: Mask) -> Mask:
    """Between the volts that start it and those that stop it a controller goes on as it was; at first it stands."""
    says = np.full(len(starts), -1, dtype=np.int8)
    says[morning] = 0
    says[stops] = 0
    says[starts] = 1
    told = np.maximum.accumulate(np.where(says >= 0, np.arange(len(says)), 0))
    return np.asarray(says[told] == 1)


def _at_volts(array: Array, electrics: Electrics, volts: Floats, ohm: float, where: npt.NDArray[np.intp]) -> Floats:
    """Power at the controller's input when the bank sets the volts there [W]; NaN where light or volts are unknown."""
    plane, volts = electrics.plane[where], volts[where]
    if electrics.mixed:
        watts = mismatch.at_volts(electrics.parts(where), volts, ohm)
    else:
        lit = np.nan_to_num(np.maximum(plane, 0.0))
        diode = diodes.known(array.module)
        joined = diode.under(lit, electrics.cell[where]).joined(array.modules_in_series, array.strings_in_parallel, ohm)
        watts = volts * np.where(lit > 0, joined.current(volts), 0.0)
    return np.where(np.isfinite(plane), watts * electrics.trim[where], np.nan)


def _joined(array: Array, electrics: Electrics, bank_v: Floats, ohm: float) -> Floats:
    """Modules and bank joined by a switch: the modules' current at the bank's volts."""
    module = array.module
    if electrics.table is not None:
        return _at_volts(array, electrics, bank_v, ohm, np.arange(len(bank_v)))
    if module.imp is None:
        return np.full(len(bank_v), np.nan)
    # Well below its best point a module is a source of current; the thin datasheet gives the one at the best point.
    warmth = 1.0 + (module.temp_coeff_isc or diodes.TYPICAL_ISC_COEFFICIENT) / 100.0 * (electrics.cell - STC_C)
    amps = array.strings_in_parallel * module.imp * np.maximum(electrics.plane, 0.0) / STC_IRRADIANCE * warmth
    return np.asarray(bank_v * amps)
