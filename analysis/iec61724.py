"""Owns the yields and ratios of IEC 61724: reference, array and final yield, capture and system losses, ratios.

Symbols by IEC 61836 (3.4, "performance" terms) and IEC 61724-1; the 1998 edition's quantities for systems with storage
are from memory. Yields are hours at rated power over the period; energies are watt-hours.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeVar

from analysis.results import ArrayDay, StorageDay, ratio
from analysis.sun import Floats

STC_IRRADIANCE = 1000.0
STC_TEMPERATURE = 25.0
PERIODS = ("day", "week", "month", "season")
# Energy under which a day counts as dark [Wh].
_LEAST_WH = 0.5
_NOT_TOLD = ("night", "unheard", "unknown")


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


def warmth_weighed(plane: Floats, cell: Floats, coefficient: float, reference: float = STC_TEMPERATURE) -> Floats:
    """Irradiance, each interval weighed by what the cells' warmth leaves of their power at one temperature [W/m²].

    Parameters
    ----------
    plane, cell : ndarray
        In-plane irradiance [W/m²], cell temperature [°C].
    coefficient : float
        Of power with temperature [1/K], negative.
    reference : float
        The temperature to which it is corrected [°C].

    Notes
    -----
    Energy over rated power and this light's sum is the temperature-corrected performance ratio, by which a warm month
    and a cold one can be compared: Dierauf et al., Weather-Corrected Performance Ratio, NREL/TP-5200-57991 (2013),
    equation 5. To 25 °C it is the PR'_STC of IEC 61724-1.
    """
    return plane * (1.0 + coefficient * (cell - reference))


@dataclass(frozen=True, slots=True)
class Performance:
    """An array over some days, as IEC 61724-1 wants it told; None where what it needs is not known.

    Attributes
    ----------
    days : int
        Days that are counted: those with a sensor in the plane, where any has one, else those with known energy.
    irradiation_wh_m2 : float or None
        H_i: measured in the plane.
    yields : Yields
        Over the intervals in which that irradiation was measured, where it was.
    corrected_ratio : float or None
        PR'_STC: the performance ratio at cells of 25 °C.
    availability : float or None
        Of the daylight in which the array was heard, the share in which it was able to give something: by time, from
        memory.
    coverage : float or None
        Share of the daylight in which light and power were both known.
    """

    days: int
    irradiation_wh_m2: float | None
    yields: Yields
    corrected_ratio: float | None
    availability: float | None
    coverage: float | None


def performance(days: Sequence[ArrayDay], bank_wh: Mapping[dt.date, float]) -> Performance:
    """Results of one array over some days.

    Parameters
    ----------
    days : sequence of ArrayDay
        Of that array.
    bank_wh : mapping
        What reached the bank on a day [Wh], over the intervals that the day's `measured_wh` counts.
    """
    lit = [d for d in days if d.plane_wh_m2 and d.performance_ratio is not None]
    counted = lit or [d for d in days if d.measured_wh is not None]
    array_h = [_array_hours(d) for d in counted]
    reached = [_reached(d, bank_wh.get(d.day)) for d in counted]
    final = [h * share for h, share in zip(array_h, reached, strict=True) if share is not None]
    plane = sum(d.plane_wh_m2 or 0.0 for d in lit) if lit else None
    found = Yields(
        reference=None if plane is None else plane / STC_IRRADIANCE,
        array=sum(array_h) if counted else None,
        final=sum(final) if counted and len(final) == len(counted) else None,
    )
    cool = [d.plane_weighed_wh_m2 for d in lit if d.plane_weighed_wh_m2]
    best = found.final if found.final is not None else found.array
    known = sum(d.plane_min for d in days) if lit else sum(d.known_min for d in days)
    return Performance(
        days=len(counted),
        irradiation_wh_m2=plane,
        yields=found,
        corrected_ratio=ratio(best, sum(cool) / STC_IRRADIANCE) if cool and len(cool) == len(lit) else None,
        availability=_availability(days),
        coverage=ratio(known, sum(d.daylight_min for d in days)),
    )


def _array_hours(day: ArrayDay) -> float:
    """Y_A of a day: over the intervals in which the plane's irradiation is known, where it is [h]."""
    if day.plane_wh_m2 and day.performance_ratio is not None:
        return day.performance_ratio * day.plane_wh_m2 / STC_IRRADIANCE
    return (day.measured_wh or 0.0) / day.rated_w


def _reached(day: ArrayDay, bank_wh: float | None) -> float | None:
    """Share of the array's energy that reached the bank; None where nobody knows, nothing of nothing is all."""
    if day.measured_wh is not None and abs(day.measured_wh) < _LEAST_WH:
        return 1.0
    return ratio(bank_wh, day.measured_wh)


def _availability(days: Sequence[ArrayDay]) -> float | None:
    heard = [(state, m) for d in days for state, m in d.states.items() if state not in _NOT_TOLD]
    whole = sum(minutes for _, minutes in heard)
    return ratio(whole - sum(minutes for state, minutes in heard if state == "no-current"), whole)


@dataclass(frozen=True, slots=True)
class Storage:
    """A stand-alone system with storage over a period [Wh]; the 1998 edition, from memory.

    With Y_A the array yield, Y_f = Y_A · η_LOAD and L_BOS = Y_A · (1 - η_LOAD).

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


def storage(days: Iterable[StorageDay]) -> Storage | None:
    """The bank over some days; None where nothing of it is known."""
    known = list(days)
    if not known:
        return None
    return Storage(
        array=sum(d.array_wh for d in known),
        backup=sum(d.backup_wh for d in known),
        to_storage=sum(d.to_storage_wh for d in known),
        from_storage=sum(d.from_storage_wh for d in known),
        load=sum(d.load_wh for d in known),
    )


class Dated(Protocol):
    """Whatever belongs to a day."""

    @property
    def day(self) -> dt.date: ...


D = TypeVar("D", bound=Dated)


def grouped(days: Iterable[D], by: str) -> dict[str, list[D]]:
    """Days by ``day``, ``week`` (ISO 8601), ``month`` or ``season`` (meteorological; December is of the winter that
    follows), in the order of the days."""
    found: dict[str, list[D]] = {}
    for one in days:
        found.setdefault(period(one.day, by), []).append(one)
    return found


def period(day: dt.date, by: str) -> str:
    """The name of the period that a day lies in: ``2026-W24``, ``2026-06``, ``2026 summer``."""
    if by == "week":
        iso = day.isocalendar()
        return f"{iso.year}-W{iso.week:02d}"
    if by == "month":
        return f"{day:%Y-%m}"
    if by == "season":
        return f"{day.year + (day.month == 12)} {('winter', 'spring', 'summer', 'autumn')[day.month % 12 // 3]}"
    return day.isoformat()
