"""Owns strings of alike modules that are lit unequally: the steps of their power, and their current at given volts.

The worst-lit module sets a string's current, unless bypass diodes carry the others past it: of n modules the best k
give their volts at the current of the k-th, less what the diodes of the bypassed take. Each such step has a best point.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis import diodes
from analysis.diodes import Parameters
from analysis.modules import Electrics
from analysis.sun import Floats
from logger.settings import Array

# Halvings of the current's range, of some amps, until it stands to a milliampere.
_HALVINGS = 14


@dataclass(frozen=True, slots=True)
class Step:
    """The best modules at work, the others bypassed: power of the modules, and power and volts at the controller."""

    modules: Floats
    watts: Floats
    volts: Floats


class String:
    """The strings of an array, all lit alike, the modules of each unequally.

    Parameters
    ----------
    array : Array
    electrics : Electrics
        With ranks; its module has a diode.
    ohm : float
        Of the array's cable, both conductors [Ω].
    """

    def __init__(self, array: Array, electrics: Electrics, ohm: float) -> None:
        self._array = array
        self._ranked = electrics.ranked()
        self._ohm = ohm
        self._diodes: list[Parameters] = [
            diodes.known(array.module).under(np.nan_to_num(lit.plane), lit.cell) for lit in self._ranked
        ]
        self._bypass = (array.module.substrings or 1) * diodes.BYPASS_DROP_V

    def at(self, where: npt.NDArray[np.intp]) -> String:
        """The same in those intervals alone."""
        ranks = np.stack([lit.plane[where] for lit in self._ranked])
        first = self._ranked[0]
        return String(self._array, Electrics(first.module, ranks[0], first.cell[where], ranks=ranks), self._ohm)

    def steps(self) -> list[Step]:
        """One, two and so on up to all modules of a string at work."""
        return [self._step(k) for k in range(1, len(self._ranked) + 1)]

    def open_volts(self) -> Floats:
        """Of a string [V]: no current, so each module shows the volts of its own light."""
        return np.asarray(
            np.sum([np.nan_to_num(lit.open_volts) for lit in self._ranked if lit.open_volts is not None], axis=0)
        )

    def _step(self, k: int) -> Step:
        worst = self._ranked[k - 1]
        best = np.zeros(len(worst.plane)) if worst.best_volts is None else np.nan_to_num(worst.best_volts)
        watts = self._array.module.power * np.nan_to_num(worst.power_ratio)
        amps = np.where(best > 0, watts / np.where(best > 0, best, 1.0), 0.0)
        # At the current of the worst of them the others stand higher up their curves.
        own = self._diodes[k - 1].volts(amps)
        volts = k * best + np.sum([one.volts(amps) - own for one in self._diodes[: k - 1]], axis=0)
        left = np.maximum(volts - (len(self._ranked) - k) * self._bypass, 0.0)
        joined = self._array.strings_in_parallel * amps
        there = np.maximum(left - joined * self._ohm, 0.0)
        return Step(left * joined, there * joined, there)

    def watts_at(self, volts: Floats) -> Floats:
        """Power at the controller's input when something else sets the volts there [W]; NaN where they are."""
        low, high = np.zeros(len(volts)), 1.1 * (self._array.module.isc or 0.0) * self._ranked[0].plane / 1000.0
        drop = self._ohm * self._array.strings_in_parallel
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            shown = np.sum([np.maximum(one.volts(middle), -self._bypass) for one in self._diodes], axis=0)
            enough = shown - middle * drop >= volts
            low, high = np.where(enough, middle, low), np.where(enough, high, middle)
        return np.asarray(volts * low * self._array.strings_in_parallel * self._ranked[0].trim)
