"""Owns the yields and ratios of IEC 61724: reference, array and final yield, capture and system losses, ratios.

Symbols by IEC 61836 (3.4, "performance" terms) and IEC 61724-1; the 1998 edition's quantities for systems with storage
are from memory. Yields are hours at rated power over the period; energies are watt-hours.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.results import ratio
from analysis.sun import Floats

STC_IRRADIANCE = 1000.0
STC_TEMPERATURE = 25.0


@dataclass(frozen=True, slots=True)
class Yields:
    """Yields of one array over a period [h at rated power], None where what they need is not known.

    Attributes
    ----------
    reference : float or None
        Y_r: in-plane irradiation over 1000 W/m².
    array : float or None
        Y_A: energy at the controller's input over rated power.
    final : float or None
        Y_f: energy that reached the bank or the loads over rated power.
    """

    reference: float | None
    array: float | None
    final: float | None

    @property
    def capture_loss(self) -> float | None:
        """L_C = Y_r - Y_A [h]."""
        return difference(self.reference, self.array)

    @property
    def system_loss(self) -> float | None:
        """L_S = Y_A - Y_f [h]; the 1998 edition's L_BOS."""
        return difference(self.array, self.final)

    @property
    def performance_ratio(self) -> float | None:
        """PR = Y_f / Y_r; by the array yield where the final yield is not known."""
        return ratio(self.final if self.final is not None else self.array, self.reference)


def difference(whole: float | None, part: float | None) -> float | None:
    """Difference, None where either is unknown."""
    return whole - part if whole is not None and part is not None else None


def yields(rated_w: float, plane_wh_m2: float | None, array_wh: float | None, final_wh: float | None) -> Yields:
    """Yields over a period from its energies.

    Parameters
    ----------
    rated_w : float
        Power at standard test conditions [W].
    plane_wh_m2 : float or None
        In-plane irradiation [Wh/m²], measured in the plane.
    array_wh, final_wh : float or None
        At the controller's input; at its output [Wh].
    """

    def hours(energy: float | None, per: float) -> float | None:
        return None if energy is None else energy / per

    return Yields(hours(plane_wh_m2, STC_IRRADIANCE), hours(array_wh, rated_w), hours(final_wh, rated_w))


def weighed_temperature(plane: Floats, cell: Floats) -> float:
    """Cell temperature weighed by irradiance [°C], over intervals of one length."""
    known = np.isfinite(plane) & np.isfinite(cell)
    return float((plane[known] * cell[known]).sum() / plane[known].sum())


def corrected_performance_ratio(
    power: Floats, plane: Floats, cell: Floats, rated_w: float, coefficient: float, reference: float | None = None
) -> float:
    """Performance ratio at one cell temperature, so that a warm month and a cold one can be compared.

    Parameters
    ----------
    power, plane, cell : ndarray
        Over intervals of one length: power [W], in-plane irradiance [W/m²], cell temperature [°C].
    rated_w : float
        [W].
    coefficient : float
        Of power with temperature [1/K], negative.
    reference : float, optional
        Cell temperature to which it is corrected [°C]; the record's own weighed mean without it, which leaves the ratio
        as it is.

    Notes
    -----
    Source: Dierauf et al., Weather-Corrected Performance Ratio, NREL/TP-5200-57991 (2013), equation 5.
    """
    to = weighed_temperature(plane, cell) if reference is None else reference
    known = np.isfinite(power) & np.isfinite(plane) & np.isfinite(cell)
    could = rated_w * plane[known] / STC_IRRADIANCE * (1.0 + coefficient * (cell[known] - to))
    return float(power[known].sum() / could.sum())


@dataclass(frozen=True, slots=True)
class Storage:
    """A stand-alone system with storage over a period [Wh]; the 1998 edition, from memory.

    Attributes
    ----------
    array, backup : float
        From the array; from a second source.
    to_storage, from_storage : float
        Into the bank; out of it.
    load : float
        Used by the loads.
    """

    array: float
    backup: float
    to_storage: float
    from_storage: float
    load: float

    @property
    def net_to_storage(self) -> float:
        """E_TSN: never negative."""
        return max(self.to_storage - self.from_storage, 0.0)

    @property
    def net_from_storage(self) -> float:
        """E_FSN: never negative."""
        return max(self.from_storage - self.to_storage, 0.0)

    @property
    def put_in(self) -> float:
        """E_in: from the array, the second source, and the bank's net."""
        return self.array + self.backup + self.net_from_storage

    @property
    def used(self) -> float:
        """E_use: by the loads, and the bank's net gain."""
        return self.load + self.net_to_storage

    @property
    def array_fraction(self) -> float | None:
        """F_A: share of what was put in that the array gave."""
        return ratio(self.array, self.put_in)

    @property
    def load_efficiency(self) -> float | None:
        """η_LOAD: share of what was put in that was used."""
        return ratio(self.used, self.put_in)


def grouped(days: Sequence[str], by: str) -> dict[str, list[int]]:
    """Positions of days (YYYY-MM-DD) by ``week`` (ISO), ``month``, ``season`` (meteorological, December with the year
    that follows) or ``year``."""
    found: dict[str, list[int]] = {}
    for i, day in enumerate(days):
        found.setdefault(_period(day, by), []).append(i)
    return found


def _period(day: str, by: str) -> str:
    date = dt.date.fromisoformat(day)
    if by == "week":
        iso = date.isocalendar()
        return f"{iso.year}-W{iso.week:02d}"
    if by == "month":
        return day[:7]
    if by == "season":
        year = date.year + (date.month == 12)
        return f"{year} {('winter', 'spring', 'summer', 'autumn')[date.month % 12 // 3]}"
    return day[:4]
