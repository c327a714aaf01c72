"""Owns arrays of unequal modules: what modules of several kinds, or unequally lit, give in series and in parallel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis import diodes
from analysis.diodes import BYPASS_DROP_V, Parameters
from analysis.sun import Floats
from logger.settings import Module

_CURRENTS, _VOLTS = 400, 600


@dataclass(frozen=True, slots=True)
class Part:
    """Alike modules in one string, alike lit.

    Attributes
    ----------
    module : Module
        With `voc isc vmp imp`.
    count : int
        How many of them in series.
    plane, cell : ndarray, shape (n,)
        Irradiance in their plane [W/m²] and their temperature [°C] in each interval.
    shaded : sequence of float
        For each substring of one of the modules, the share of the light that is left to it; all of it where empty.
    """

    module: Module
    count: int
    plane: Floats
    cell: Floats
    shaded: Sequence[float] = ()


@dataclass(frozen=True, slots=True)
class Best:
    """The best point of an array at its controller's input, each of shape (n,): [W, V, A]."""

    power: Floats
    volts: Floats
    amps: Floats


def best(strings: Sequence[Sequence[Part]], loop_ohm: float = 0.0, floor_v: Floats | float = 0.0) -> Best:
    """The best point of strings in parallel, each of parts in series, every substring under its bypass diode.

    Parameters
    ----------
    strings : sequence of sequence of Part
        At least one string of at least one part, all of the same number of intervals.
    loop_ohm : float
        Of the cable to the controller, both conductors [Ω].
    floor_v : ndarray or float
        The least volts at which the controller works [V]: bank and headroom.

    Returns
    -------
    Best
        All nothing where no point lies at or above the floor.

    Raises
    ------
    ValueError
        A module's datasheet gives no diode.

    Notes
    -----
    Currents are common to a string, volts to the strings; a string with too few volts gives nothing and takes nothing,
    as behind a blocking diode. The best point is sought on a grid of currents and volts, within 0.1 % of it.
    """
    amps = np.linspace(0.0, 1.02 * max(_most_amps(part) for string in strings for part in string), _CURRENTS)
    curves = [np.sum([_volts(part, amps) for part in string], axis=0) for string in strings]
    n = curves[0].shape[0]
    floor = np.broadcast_to(np.asarray(floor_v, dtype=float), n)
    power, volts, current = (np.zeros(n) for _ in range(3))
    for i in range(n):
        top = max(float(curve[i, 0]) for curve in curves)
        if top <= 0:
            continue
        at_modules = np.linspace(0.0, top, _VOLTS)
        joined = np.sum([np.interp(at_modules, c[i, ::-1], amps[::-1], right=0.0) for c in curves], axis=0)
        at_input = at_modules - joined * loop_ohm
        watts = np.where(at_input >= floor[i], at_input * joined, 0.0)
        k = int(np.argmax(watts))
        if watts[k] > 0:
            power[i], volts[i], current[i] = watts[k], at_input[k], joined[k]
    return Best(power, volts, current)


def _most_amps(part: Part) -> float:
    isc = part.module.isc or 0.0
    return isc * max(float(np.nanmax(part.plane, initial=0.0)) / 1000.0, 1e-3) * 1.1


def _volts(part: Part, amps: Floats) -> Floats:
    """Volts of a part at each current, shape (n, currents)."""
    diode = diodes.of_module(part.module)
    if diode is None:
        raise ValueError(f"a module of {part.module.power:g} W without voc, isc, vmp and imp has no curve")
    pieces = part.module.substrings or 1
    even = _substring(part, diode, pieces, 1.0, amps)
    if not part.shaded:
        return np.asarray(part.count * pieces * even)
    shaded = np.sum([_substring(part, diode, pieces, share, amps) for share in part.shaded], axis=0)
    return np.asarray((part.count - 1) * pieces * even + shaded)


def _substring(part: Part, diode: diodes.Diode, pieces: int, share: float, amps: Floats) -> Floats:
    light = np.maximum(np.nan_to_num(part.plane), 1e-3) * share
    whole = diode.under(np.maximum(light, 1e-3)[:, None], part.cell[:, None])
    one = Parameters(whole.light, whole.dark, whole.series / pieces, whole.shunt / pieces, whole.slope / pieces)
    with np.errstate(all="ignore"):
        return np.asarray(np.maximum(one.volts(amps[None, :]), -BYPASS_DROP_V))
