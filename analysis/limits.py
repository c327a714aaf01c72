"""Owns what can hold a sound array back: bank, controller, another charger, heat, cold, volts, dump."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.expected import Expected
from analysis.instruments import Measured, Surroundings
from analysis.sun import Floats
from logger.settings import Bank, Controller
from logger.vocabulary import STAGES

Mask = npt.NDArray[np.bool_]
SET_POINT_STAGES = ("absorption", "float", "equalise")
_AT_LIMIT = 0.97
# Near open circuit the controller has turned the array down, or nothing flows at all; above its best point it has begun
# to. Up to 1.5 % above, the curve's flat top loses less than a hundredth. Far below the best point another curve rules
# than the datasheet's, and nothing is told.
_NEAR_OPEN, _ABOVE_BEST, _BELOW_BEST, _IN_CLOUD = 0.95, 1.015, 0.93, 1.03
_NOTHING, _NOTHING_ABOVE = 0.05, 1.08
# Lowest absorption and float voltages of lead and lithium per nominal 12 V; common practice, no source.
_LOWEST_SET_POINT = 13.2
# How near a set point is one, per nominal 12 V [V], and how near the limit of current leaves no doubt; common practice,
# no source.
_SET_POINT_NEAR = 0.1
_FIRMLY_AT_LIMIT = 0.985
_REFERENCE_C = 25.0
# Another charger is at work where the bank takes this much more than all controllers give; where its volts stand over
# every set point already, more than a shunt's zero; common practice, no source.
_OTHER_A, _OTHER_SHARE, _OTHER_ABOVE_A = 2.0, 0.1, 0.5
# A heatsink this warm throttles; trade manuals begin at 81 °C inside [°C]; common practice, no source.
_HOT_C, _THROTTLED = 70.0, 0.95
# Lithium must not be charged below freezing; it is let go again some kelvins above.
_LITHIUM_MIN_C, _COLD_BAND_K, _STOPPED = 0.0, 3.0, 0.05
# Array volts at the bank's own are too low; far below them nothing arrives at all; common practice, no source.
_TOO_LOW_SHARE, _ARRIVES, _WELL_ABOVE_NEED = 0.5, 0.2, 1.1
_PARTED = 0.02
_DUMP_A = 0.5


def near_open(said: Measured, expected: Expected) -> Mask:
    """The array's volts stand close to open circuit: sound, and turned down or parted."""
    allowed = expected.allowed
    nothing = (said.power < _NOTHING * allowed.free) & (said.voltage > _NOTHING_ABOVE * allowed.best_volts)
    return np.asarray((said.voltage >= _NEAR_OPEN * allowed.open_volts) | nothing)


def at_best(said: Measured, expected: Expected) -> Mask:
    """The array stands at the volts of its best point and gives what the light allows: all that there is flows.

    Where nobody knows the light the volts are those of the light that its own power shows.
    """
    return np.asarray(at_volts(said.voltage, expected.allowed.best_volts) & ~(said.power < expected.low))


def at_volts(voltage: Floats, best: Floats) -> Mask:
    """An array's volts are those of its best point."""
    return np.asarray((voltage >= _BELOW_BEST * best) & (voltage <= _ABOVE_BEST * best))


def turned_down(said: Measured, expected: Expected) -> Mask:
    """The array's volts stand above its best point."""
    return np.asarray(said.voltage > _ABOVE_BEST * expected.allowed.best_volts)


def set_points(controller: Controller, bank: Bank | None, around: Surroundings) -> list[Floats]:
    """Absorption and float volts as set, moved by the bank's warmth where the settings say by how much [V]."""
    nominal = bank.nominal_voltage if bank else None
    per_k = controller.temp_comp_mv_per_cell_k
    moved: Floats = np.zeros(len(around.bank_c))
    if per_k and nominal:
        warmer = np.nan_to_num(around.bank_c - _REFERENCE_C)
        moved = per_k / 1000.0 * nominal / 2.0 * warmer
    return [volts + moved for volts in (controller.absorption_v, controller.float_v) if volts is not None]


def bank_limited(
    controller: Controller | None, bank: Bank | None, said: Measured, around: Surroundings, expected: Expected
) -> Mask:
    """The controller keeps a set point: it says so, or its volts and the array's do."""
    named = said.in_stage(*SET_POINT_STAGES)
    held = named & ~at_best(said, expected) & ~_gives_all(controller, bank, said, around, expected)
    nominal = bank.nominal_voltage if bank else None
    if controller is None or nominal is None:
        return np.asarray(held)
    # Without a word for the stage the array's own voltage tells: turned down, it climbs towards open circuit while the
    # output sits at a set point. The word bulk may be a minute old.
    points = set_points(controller, bank, around)
    near = _SET_POINT_NEAR * nominal / 12
    lowest = np.minimum.reduce([*points, np.full(len(held), _LOWEST_SET_POINT * nominal / 12)])
    wordless = ~said.in_stage(*STAGES)
    held |= wordless & near_open(said, expected) & (said.output_voltage >= lowest - near)
    unseen = ~np.isfinite(said.voltage) | ~np.isfinite(expected.allowed.best_volts)
    turned = turned_down(said, expected)
    at_point = np.zeros(len(held), dtype=bool)
    for volts in points:
        apart = np.abs(said.output_voltage - volts)
        at_point |= apart <= near
        held |= wordless & (apart <= near) & (unseen | turned)
        held |= said.in_stage("bulk") & (apart <= near / 2) & turned
    amps = np.zeros(len(held), dtype=bool)
    if controller.output_current_limit is not None:
        share = said.output_current / controller.output_current_limit
        amps = (share >= _FIRMLY_AT_LIMIT) | ((share >= _AT_LIMIT) & ~at_point)
    return np.asarray(held & ~amps)


def _gives_all(
    controller: Controller | None, bank: Bank | None, said: Measured, around: Surroundings, expected: Expected
) -> Mask:
    """A cloud or a load keeps the volts under every set point, and the array stands at its best point: whatever the
    stage is called, all that there is flows."""
    points = set_points(controller, bank, around) if controller else []
    if not points or bank is None or bank.nominal_voltage is None:
        return np.zeros(len(said.power), dtype=bool)
    absorbing = said.in_stage("absorption", "equalise")
    point: Floats = np.where(absorbing, np.stack(points).max(axis=0), np.stack(points).min(axis=0))
    below = said.output_voltage < point - _SET_POINT_NEAR / 2 * bank.nominal_voltage / 12
    return np.asarray(below & (said.voltage <= _IN_CLOUD * expected.allowed.best_volts))


def held_back(
    controller: Controller | None, bank: Bank | None, said: Measured, around: Surroundings, expected: Expected
) -> Mask:
    """Another charger lifts the bank's volts: it takes more than all controllers give, and this one is turned down."""
    other = around.bank_a - around.solar_a > np.maximum(_OTHER_A, _OTHER_SHARE * around.bank_a)
    hindered = (said.in_stage(*SET_POINT_STAGES) & ~at_best(said, expected)) | near_open(said, expected)
    hindered |= bank_limited(controller, bank, said, around, expected)
    points = set_points(controller, bank, around) if controller else []
    above = np.zeros(len(other), dtype=bool)
    if points and controller and bank and bank.nominal_voltage:
        past = np.maximum.reduce(points) + _SET_POINT_NEAR * bank.nominal_voltage / 12
        above = np.fmax(said.output_voltage, around.bank_v) > past
        hindered |= above
        # Over its own set points the bank tells it too, and the shunt need but agree.
        other |= above & (around.bank_a - around.solar_a > np.maximum(_OTHER_ABOVE_A, _OTHER_SHARE * around.bank_a))
        # Without a shunt, volts past its own set points tell it, where warmth cannot explain them.
        explained = controller.temp_comp_mv_per_cell_k is not None or bank.chemistry == "lifepo4"
        above &= ~np.isfinite(around.bank_a - around.solar_a) & ~said.in_stage("equalise") & explained
    return np.asarray((other & hindered) | above)


def current_limited(controller: Controller | None, said: Measured, expected: Expected) -> Mask:
    """The output is at the controller's limit, and the array not at its best point."""
    if controller is None or controller.output_current_limit is None:
        return np.zeros(len(said.power), dtype=bool)
    at_limit = said.output_current >= _AT_LIMIT * controller.output_current_limit
    return np.asarray(at_limit & ~at_best(said, expected))


def heat_derated(said: Measured, expected: Expected) -> Mask:
    """The heatsink is hot, and the array stands off its best point and gives less than it could."""
    hot = said.heatsink >= _HOT_C
    if not hot.any():
        return np.asarray(hot)
    off = ~(said.voltage <= _ABOVE_BEST * expected.allowed.best_volts)
    return np.asarray(hot & off & ~(said.power >= _THROTTLED * expected.power))


def cold_blocked(bank: Bank | None, said: Measured, around: Surroundings, expected: Expected, could: Floats) -> Mask:
    """The bank is too cold to be charged, and the array, though sound, gives nothing of what it could at least."""
    least = bank.charge_min_c if bank else None
    if least is None and bank and bank.chemistry == "lifepo4":
        least = _LITHIUM_MIN_C
    if least is None:
        return np.zeros(len(said.power), dtype=bool)
    stopped = (said.power < _STOPPED * could) & (near_open(said, expected) | ~np.isfinite(said.voltage))
    return np.asarray(stopped & (around.bank_c <= least + _COLD_BAND_K))


def too_low(controller: Controller | None, said: Measured, around: Surroundings, expected: Expected) -> Mask:
    """A tracking controller finds the array's volts below what the bank needs: by the drawing, or by a fault."""
    if controller is None or controller.type != "mppt":
        return np.zeros(len(said.power), dtype=bool)
    bank_v = np.where(np.isfinite(said.output_voltage), said.output_voltage, around.bank_v)
    by_drawing = expected.allowed.bound & (said.power < _AT_LIMIT * expected.allowed.free)
    # Of unequally lit modules a lower step may be the better one and out of reach: the step in use has volts enough.
    by_drawing &= ~(said.voltage > _WELL_ABOVE_NEED * (bank_v + controller.run_headroom_v))
    arrives = said.voltage >= _ARRIVES * bank_v
    below = (said.voltage < bank_v + controller.run_headroom_v) & arrives
    # Stopped, it wants more: an array without current that shows less than what starts it.
    stopped = said.power < _STOPPED * expected.allowed.free
    below |= stopped & (said.voltage < bank_v + controller.start_headroom_v) & arrives
    return np.asarray(by_drawing | (below & (said.power < _TOO_LOW_SHARE * expected.allowed.free)))


def parted(said: Measured, expected: Expected) -> Mask:
    """No volts at all: even under snow the cells show some, so nothing joins the array to its instruments."""
    return np.asarray(said.voltage < _PARTED * expected.allowed.open_volts)


def diverting(around: Surroundings) -> Mask:
    """The dump takes the surplus."""
    return np.asarray(around.dump_a >= _DUMP_A)
