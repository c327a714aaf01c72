"""Owns the values that the result tables hold. `results_writing` writes them, `results_reading` reads them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

# What the light of an array was known by, best first.
PLANE, REFERENCE, HORIZONTAL, LUX, WEATHER, SISTERS, CLEAR = range(7)
EVIDENCE = ("plane", "reference module", "horizontal", "lux", "weather series", "sister arrays", "clear sky")


@dataclass(frozen=True, slots=True)
class SunDay:
    """One local mean solar day that was judged.

    Attributes
    ----------
    day : datetime.date
    start, stop : int
        UTC [ms].
    first_light, last_light : int or None
        Sunrise and sunset, UTC [ms]; None where the sun does not cross the horizon.
    noon : int
        True solar noon, UTC [ms].
    settings_hash : str
        Of the settings by which the day was judged.
    """

    day: dt.date
    start: int
    stop: int
    first_light: int | None
    noon: int
    last_light: int | None
    settings_hash: str

    @property
    def daylight(self) -> tuple[int, int]:
        """The part of the day outside which the sun is down, UTC [ms].

        It is the whole day where the sun sets before it rises: near the polar circle in summer, and of a vessel far
        from the longitude by which her days are counted, both ends of the day are lit.
        """
        first, last = self.first_light, self.last_light
        if first is not None and last is not None and last < first:
            return self.start, self.stop
        return self.start if first is None else first, self.stop if last is None else last


@dataclass(frozen=True, slots=True)
class ArrayDay:
    """What one array gave on one solar day, and what the light allowed. Energies [Wh], None where unknown."""

    array: str
    day: dt.date
    start: int
    stop: int
    rated_w: float
    measured_wh: float | None
    expected_wh: float | None
    expected_low_wh: float | None
    expected_high_wh: float | None
    judged_measured_wh: float | None
    judged_expected_wh: float | None
    judged_low_wh: float | None
    judged_high_wh: float | None
    curtailed_wh: float | None
    covered_wh: float | None
    limited_wh: float | None
    performance_ratio: float | None
    plane_wh_m2: float | None
    daylight_min: float
    known_min: float
    judging_min: float
    completeness: float
    verdict: str
    cause: str | None
    states: dict[str, float] = field(default_factory=dict)
    features: dict[str, Any] = field(default_factory=dict)
    evidence: str = ""
    plane_min: float = 0.0
    """Minutes in which a sensor in the plane and the array's power were known together."""
    plane_weighed_wh_m2: float | None = None
    """In-plane irradiation, each interval weighed by what the modules' warmth leaves of their power at 25 °C."""

    @property
    def judged_ratio(self) -> float | None:
        """Measured over expected in unhindered intervals alone."""
        return ratio(self.judged_measured_wh, self.judged_expected_wh)

    @property
    def judged_ratio_low(self) -> float | None:
        return ratio(self.judged_measured_wh, self.judged_high_wh)

    @property
    def judged_ratio_high(self) -> float | None:
        return ratio(self.judged_measured_wh, self.judged_low_wh)


@dataclass(frozen=True, slots=True)
class Ladder:
    """Where the light of one array's day went [Wh]: from a cloudless sky, rung by rung, to what reached the bank.

    Each rung is what it took; a negative one gave. `clear_sky_wh` less all of them is `bank_wh`.

    Attributes
    ----------
    clear_sky_wh : float
        A flat array of this size, cool and bright, under a cloudless sky.
    cloud_wh, orientation_wh : float
        Cloud and haze; tilt, bearing and the glass.
    dim_light_wh, warmth_wh : float
        The cells' efficiency in dim light, and away from 25 °C.
    unexplained_wh : float
        What nothing else explains: dirt, shade, faults, and the error of the model.
    covered_wh : float
        While the array lay covered.
    volts_wh : float
        By the drawing: the bank's volts keep the array from its best point.
    limits_wh : float
        Bank full, controller at its limit, another charger, heat, cold, dump.
    cable_wh, controller_wh, feed_wh : float
        Heat in the array's cable, in the controller, in the cable to the bank.
    bank_wh : float
        Reached the bank.
    """

    array: str
    day: dt.date
    start: int
    clear_sky_wh: float
    cloud_wh: float
    orientation_wh: float
    dim_light_wh: float
    warmth_wh: float
    unexplained_wh: float
    covered_wh: float
    volts_wh: float
    limits_wh: float
    cable_wh: float
    controller_wh: float
    feed_wh: float
    bank_wh: float


LADDER = tuple(name for name in Ladder.__slots__ if name.endswith("_wh"))


@dataclass(frozen=True, slots=True)
class TwinDay:
    """Two arrays over the grey intervals of one solar day in which nothing held either back.

    Attributes
    ----------
    one, other : str
        Names of arrays.
    day : datetime.date
    start, stop : int
        UTC [ms].
    minutes : float
        Of such light.
    one_wh, other_wh : float
        What they got [Wh].
    one_could_wh, other_could_wh : float
        What an even dome gives each, up to a factor that both share [Wh].
    sigma : float
        Relative standard uncertainty of their ratio that the day's intervals share.
    """

    one: str
    other: str
    day: dt.date
    start: int
    stop: int
    minutes: float
    one_wh: float
    one_could_wh: float
    other_wh: float
    other_could_wh: float
    sigma: float


@dataclass(frozen=True, slots=True)
class StorageDay:
    """A bank and what feeds it over one solar day, as the 1998 edition of IEC 61724 counts them [Wh].

    Attributes
    ----------
    bank : str
    day : datetime.date
    start, stop : int
        UTC [ms].
    array_wh, backup_wh : float
        From all arrays at their controllers' inputs; from a second source (wind).
    to_storage_wh, from_storage_wh : float
        Into the bank, out of it.
    load_wh : float
        Used by the loads: what controllers and second source gave, less what the bank took.
    known_min : float
        Minutes in which all of that was known.
    """

    bank: str
    day: dt.date
    start: int
    stop: int
    array_wh: float
    backup_wh: float
    to_storage_wh: float
    from_storage_wh: float
    load_wh: float
    known_min: float


@dataclass(frozen=True, slots=True)
class StateRun:
    """A stretch in which one operating state held an array; times UTC [ms]."""

    array: str
    start: int
    stop: int
    state: str
    evidence: str


@dataclass(frozen=True, slots=True)
class LoopEstimate:
    """Resistance of one run of cable over one solar day, both conductors and all joints [Ω]."""

    cable: str
    at: int
    start: int
    stop: int
    ohm: float | None
    ohm_low: float | None
    ohm_high: float | None
    intercept_v: float | None
    design_ohm: float
    current_a: float | None
    loss_wh: float | None
    drop_percent: float | None
    n: int


@dataclass(frozen=True, slots=True)
class EnclosureEstimate:
    """One box over one solar day, once for each way the fan was told: ``running``, ``stopped``, ``untold``."""

    enclosure: str
    at: int
    start: int
    stop: int
    fan: str
    thermal_resistance_k_per_w: float | None
    low_k_per_w: float | None
    high_k_per_w: float | None
    peak_c: float | None
    peak_at: int | None
    limit_c: float
    over_limit_min: float | None
    loss_w: float | None
    n: int
    peak_air_c: float | None = None
    """The air that it breathed when it was hottest."""


@dataclass(frozen=True, slots=True)
class BankDay:
    """The bank over one solar day."""

    bank: str
    at: int
    start: int
    stop: int
    low_v: float | None
    low_at: int | None
    high_v: float | None
    full_at: int | None
    charge_ah: float | None
    state_of_charge: float | None
    autonomy_h: float | None


@dataclass(frozen=True, slots=True)
class Note:
    """A line of the logbook: time UTC [ms], words, tags between commas."""

    t: int
    text: str
    tags: str = ""


@dataclass(frozen=True, slots=True)
class Cause:
    """An explanation of a finding, with its probability and the next thing to measure."""

    cause: str
    probability: float
    next_check: str


@dataclass(frozen=True, slots=True)
class Finding:
    """A symptom with its evidence; times UTC [ms], `until` None while it lasts."""

    rule: str
    subject: str
    state: str
    priority: str
    since: int
    until: int | None
    summary: str
    evidence: dict[str, Any]
    causes: tuple[Cause, ...]
    id: int | None = None

    @property
    def is_open(self) -> bool:
        return self.state in ("unacknowledged", "acknowledged")


def ratio(part: float | None, whole: float | None) -> float | None:
    """Quotient, None where either is unknown or the whole is nothing."""
    return part / whole if part is not None and whole else None


PRIORITIES = ("high", "medium", "low")

ARRAY_DAY_COLUMNS = (
    "array", "day", "start", "stop", "rated_w", "measured_wh", "expected_wh", "expected_low_wh", "expected_high_wh",
    "judged_measured_wh", "judged_expected_wh", "judged_low_wh", "judged_high_wh", "curtailed_wh", "covered_wh",
    "limited_wh", "performance_ratio", "plane_wh_m2", "daylight_min", "known_min", "judging_min", "completeness",
    "verdict", "cause", "plane_min", "plane_weighed_wh_m2", "states", "features", "evidence",
)  # fmt: skip
