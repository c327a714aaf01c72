"""Owns how the modules of an array lie, all alike or in groups, and what light they can use together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.geometry import Attitude, facings
from analysis.sky import Dome, Parts, Sky
from analysis.sun import Floats
from logger.settings import Array

# More than this times a clear sky is the sun's place in the plane, not the sky's; common practice, no source.
_BRIGHTEST = 1.5


@dataclass(frozen=True, slots=True)
class Lit:
    """What a sky gives an array: usable light [W/m²], its relative spread over the headings that nobody knows with what
    the transposition leaves open, and its ranks."""

    light: Floats
    spread: Floats
    ranks: Floats | None


class Ways:
    """The planes of an array's modules, and what falls into them together."""

    def __init__(self, array: Array, sky: Sky, lies: Attitude) -> None:
        self.sky = sky
        self._in_series = array.modules_in_series
        own = array.tilt, array.azimuth
        whole = [(array.modules_in_series * array.strings_in_parallel, own)]
        lying = [(group.modules, (group.tilt, group.azimuth)) for group in array.group] or whole
        self.several = len({way for _, way in lying}) > 1
        if not self.several:
            lying = [(whole[0][0], lying[0][1])]
        self._groups = [(modules, facings(*way, lies)) for modules, way in lying]
        self.own = facings(*own, lies)
        self.colours = sky.colours(array.module.technology)

    @property
    def steepness(self) -> float:
        """How far the modules are from lying flat: 0 there, 1 at 45°, by the sine."""
        tilts = [np.radians(np.nanmean(way.tilt)) for _, ways in self._groups for way in ways if len(way.tilt)]
        return float(np.mean(np.sin(tilts)) / np.sin(np.pi / 4)) if tilts else 0.0

    def lit(self, parts: Parts) -> Lit:
        """Usable light under that sky."""
        dome = self.sky.dome(parts)
        found = [self._together(dome, way) for way in range(max(len(self._groups[0][1]), 1))]
        planes = np.stack([light for light, _, _ in found])
        middle = planes.mean(axis=0)
        # Half the whole range is a two-sigma band: nothing between the worst and the best heading is a fault.
        spread = np.hypot(np.ptp(planes, axis=0) / 4, np.mean([apart for _, apart, _ in found], axis=0) / 2)
        ranks = np.mean([ranks for _, _, ranks in found], axis=0) * self.colours if self.several else None
        return Lit(middle * self.colours, spread / np.maximum(middle, 1.0), ranks)

    def lean(self, parts: Parts) -> Floats:
        """Change of the light in the plane [W/m²] with the dome's share of the whole."""
        every = sum(count for count, _ in self._groups)
        found = [
            count / every * np.mean([self.sky.lean(way, parts) for way in ways], axis=0) for count, ways in self._groups
        ]
        return np.asarray(np.sum(found, axis=0))

    def glassed(self, beam_share: Floats) -> Floats:
        """Share of the light in the array's own plane that passes the glass."""
        return np.asarray(np.mean([self.sky.glassed(way, beam_share) for way in self.own], axis=0))

    def beside(self, plane: Floats) -> tuple[Floats, Floats | None]:
        """Light on modules that lie in several ways, by a sensor in the array's own plane; and its ranks.

        The sky is the horizontal sensor's where there is one, else as clear as it is in the plane.
        """
        if not self.several:
            return plane, None
        sky = self.sky
        clear = self._sensor(sky.dome(sky.clear))
        share = np.where(clear > 0, np.nan_to_num(plane) / np.where(clear > 0, clear, 1.0), 0.0)
        guessed = sky.taken_apart(np.minimum(share, _BRIGHTEST) * sky.clear.ghi)
        seen = np.isfinite(sky.measured.ghi) & (sky.measured.ghi > 0)
        parts = Parts(*(np.where(seen, m, g) for m, g in zip(sky.measured.each, guessed.each, strict=True)))
        found, own = self.lit(parts), self._sensor(sky.dome(parts))
        factor = np.where(own > 0, plane / np.where(own > 0, own, 1.0), 0.0)
        factor = np.where(np.isfinite(plane), factor, np.nan) / self.colours
        return found.light * factor, None if found.ranks is None else found.ranks * factor

    def _sensor(self, dome: Dome) -> Floats:
        ways = [self.sky.in_plane(way, dome) for way in self.own]
        return np.asarray(np.mean([way.light * way.glass for way in ways], axis=0))

    def _together(self, dome: Dome, way: int) -> tuple[Floats, Floats, Floats]:
        """Light that all modules use together, by how much transpositions differ on it, and its ranks [W/m²]."""
        lit, apart = [], []
        for count, ways in self._groups:
            found = self.sky.in_plane(ways[min(way, len(ways) - 1)], dome)
            lit += [found.light * found.glass] * (count if self.several else 1)
            apart.append(np.abs(found.apart))
        if not self.several:
            return lit[0], apart[0], lit[0][None, :]
        ranks = _ranks(lit, self._in_series)
        return usable(lit, self._in_series), np.max(apart, axis=0), ranks


def _ranks(modules: list[Floats], in_series: int) -> Floats:
    """Light on the best-lit module of a string, on its second and so on, in the mean of the strings [W/m²]."""
    strings = [np.stack(modules[i : i + in_series]) for i in range(0, len(modules), in_series)]
    return np.asarray(np.mean([-np.sort(-string, axis=0) for string in strings], axis=0))


def usable(modules: list[Floats], in_series: int) -> Floats:
    """Light that unequally lit modules can use together, string by string.

    In a string the worst-lit module sets the current, unless its bypass diodes carry the others past it: of n modules
    the best k give k/n of the voltage at the current of the k-th.
    """
    share = (np.arange(in_series) + 1)[:, None] / in_series
    strings = [np.stack(modules[i : i + in_series]) for i in range(0, len(modules), in_series)]
    return np.asarray(np.mean([(-np.sort(-string, axis=0) * share).max(axis=0) for string in strings], axis=0))
