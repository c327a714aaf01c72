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
# Light that counts as none and keeps every curve a curve [W/m²].
_DARK = 1e-3


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
    amps, curves = _curves(strings)
    n = curves[0].shape[0]
    floor = np.broadcast_to(np.asarray(floor_v, dtype=float), n)
    power, volts, current = (np.zeros(n) for _ in range(3))
    for i in range(n):
        at_input, joined = _joined(curves, amps, i, loop_ohm)
        watts = np.where(at_input >= floor[i], at_input * joined, 0.0)
        k = int(np.argmax(watts))
        if watts[k] > 0:
            power[i], volts[i], current[i] = watts[k], at_input[k], joined[k]
    return Best(power, volts, current)


def at_volts(strings: Sequence[Sequence[Part]], volts: Floats, loop_ohm: float = 0.0) -> Floats:
    """Power at the controller's input when something else sets the volts there, shape (n,) [W]; NaN where they are."""
    amps, curves = _curves(strings)
    power = np.empty(len(volts))
    for i, at in enumerate(volts):
        at_input, joined = _joined(curves, amps, i, loop_ohm)
        power[i] = at * np.interp(at, at_input, joined, right=0.0)
    return power


def _curves(strings: Sequence[Sequence[Part]]) -> tuple[Floats, list[Floats]]:
    """Currents up to the most that the light of an interval drives, and each string's volts there: (n, currents)."""
    most = np.max([_short_circuit(part) for string in strings for part in string], axis=0)
    amps = np.linspace(0.0, 1.12, _CURRENTS)[None, :] * most[:, None]
    return amps, [np.sum([_volts(part, amps) for part in string], axis=0) for string in strings]


def _joined(curves: Sequence[Floats], amps: Floats, i: int, loop_ohm: float) -> tuple[Floats, Floats]:
    """Volts at the controller's input, rising, and the current of all strings there, in one interval."""
    at_modules = np.linspace(0.0, max(*(float(curve[i, 0]) for curve in curves), 0.0), _VOLTS)
    joined = np.sum([np.interp(at_modules, c[i, ::-1], amps[i, ::-1], right=0.0) for c in curves], axis=0)
    return at_modules - joined * loop_ohm, joined


def _short_circuit(part: Part) -> Floats:
    """About the part's short-circuit current in each interval, never quite nothing [A]."""
    return (part.module.isc or 0.0) * np.maximum(np.nan_to_num(part.plane), _DARK) / 1000.0


def _volts(part: Part, amps: Floats) -> Floats:
    """Volts of a part at each current, both of shape (n, currents)."""
    diode = diodes.known(part.module)
    pieces = part.module.substrings or 1
    even = _substring(part, diode, pieces, 1.0, amps)
    if not part.shaded:
        return np.asarray(part.count * pieces * even)
    shaded = np.sum([_substring(part, diode, pieces, share, amps) for share in part.shaded], axis=0)
    return np.asarray((part.count - 1) * pieces * even + shaded)


def _substring(part: Part, diode: diodes.Diode, pieces: int, share: float, amps: Floats) -> Floats:
    light = np.maximum(np.nan_to_num(part.plane) * share, _DARK)
    whole = diode.under(light[:, None], part.cell[:, None])
    one = Parameters(whole.light, whole.dark, whole.series / pieces, whole.shunt / pieces, whole.slope / pieces)
    with np.errstate(all="ignore"):
        return np.asarray(np.maximum(one.volts(amps), -BYPASS_DROP_V))
