"""Owns the values that the result tables hold, and how they are read. `results_writing` writes them."""

from __future__ import annotations

import datetime as dt
import json
import sqlite3
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

# What the light of an array was known by, best first.
PLANE, REFERENCE, HORIZONTAL, LUX, SISTERS, CLEAR = range(6)
EVIDENCE = ("plane", "reference module", "horizontal", "lux", "sister arrays", "clear sky")


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


@dataclass(frozen=True, slots=True)
class LightDay:
    """What one solar day says of a light sensor, against a cloudless sky.

    Attributes
    ----------
    channel : str
    day : datetime.date
    start, stop : int
        UTC [ms].
    offset_wm2 : float
        What it said at night, taken off its light [W/m²].
    clear_min : float
        Minutes of clear sky that could tell the rest.
    gain : float or None
        Measured over clear-sky light.
    noon_shift_s, noon_sigma_s : float or None
        By how much its noon comes after the sun's, with the standard uncertainty [s].
    drift : float
        Of its gain since its first clear days, taken out of the light that judged this day; 1 where none was.
    """

    channel: str
    day: dt.date
    start: int
    stop: int
    offset_wm2: float
    clear_min: float
    gain: float | None
    noon_shift_s: float | None
    noon_sigma_s: float | None
    drift: float = 1.0


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


# -- reading --------------------------------------------------------------------------------------------------


class Results:
    """The results in a store, read-only. Spans are solar days, both included, or UTC [ms] half-open."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def days(self, first: dt.date | None = None, last: dt.date | None = None) -> list[SunDay]:
        rows = self._connection.execute(
            "SELECT day, start, stop, first_light, noon, last_light, settings_hash FROM assessed "
            "WHERE day BETWEEN ? AND ? ORDER BY day",
            _bounds(first, last),
        )
        return [SunDay(dt.date.fromisoformat(row[0]), *row[1:]) for row in rows]

    def arrays(self) -> list[str]:
        """Names of all arrays that have results, in alphabetical order."""
        return [row[0] for row in self._connection.execute("SELECT DISTINCT array FROM yield_day ORDER BY array")]

    def array_days(self, first: dt.date | None = None, last: dt.date | None = None) -> list[ArrayDay]:
        """In the order of days, then arrays."""
        rows = self._connection.execute(
            f"SELECT {', '.join(ARRAY_DAY_COLUMNS)} FROM yield_day WHERE day BETWEEN ? AND ? ORDER BY day, array",
            _bounds(first, last),
        )
        return [ArrayDay(**_decoded(dict(zip(ARRAY_DAY_COLUMNS, row, strict=True)))) for row in rows]

    def ladders(self, first: dt.date | None = None, last: dt.date | None = None) -> list[Ladder]:
        """In the order of days, then arrays; a day whose light is not known has none."""
        rows = self._connection.execute(
            f"SELECT array, day, start, {', '.join(LADDER)} FROM ladder WHERE day BETWEEN ? AND ? ORDER BY day, array",
            _bounds(first, last),
        )
        return [Ladder(array, dt.date.fromisoformat(day), *rest) for array, day, *rest in rows]

    def expected(self, array: str, start: int, stop: int) -> pd.DataFrame:
        """Expected band and measured power of one array.

        Returns
        -------
        pandas.DataFrame
            Index ``t`` (UTC, interval starts); columns ``interval_ms measured_w expected_w low_w high_w plane_wm2
            module_c``, NaN where unknown. Only intervals with light have rows.
        """
        frame = pd.DataFrame(
            self._connection.execute(
                "SELECT t, interval_ms, measured_w, expected_w, low_w, high_w, plane_wm2, module_c FROM expected "
                "WHERE array = ? AND t >= ? AND t < ? ORDER BY t",
                (array, start, stop),
            ).fetchall(),
            columns=["t", "interval_ms", "measured_w", "expected_w", "low_w", "high_w", "plane_wm2", "module_c"],
        )
        frame.index = pd.DatetimeIndex(pd.to_datetime(frame.pop("t"), unit="ms", utc=True), name="t")
        return frame.astype(float)

    def states(self, array: str, start: int, stop: int) -> list[StateRun]:
        rows = self._connection.execute(
            "SELECT array, start, stop, state, evidence FROM state WHERE array = ? AND start < ? AND stop > ? "
            "ORDER BY start",
            (array, stop, start),
        )
        return [StateRun(*row) for row in rows]

    def loops(self, start: int = 0, stop: int = 1 << 62) -> list[LoopEstimate]:
        """In the order of time."""
        rows = self._connection.execute(
            "SELECT cable, at, start, stop, ohm, ohm_low, ohm_high, intercept_v, design_ohm, current_a, loss_wh, "
            "drop_percent, n FROM loop_resistance WHERE start < ? AND stop > ? ORDER BY at, cable",
            (stop, start),
        )
        return [LoopEstimate(*row) for row in rows]

    def enclosures(self, start: int = 0, stop: int = 1 << 62) -> list[EnclosureEstimate]:
        """In the order of time."""
        rows = self._connection.execute(
            "SELECT enclosure, at, start, stop, fan, thermal_resistance_k_per_w, low_k_per_w, high_k_per_w, peak_c, "
            "peak_at, limit_c, over_limit_min, loss_w, n FROM enclosure_model WHERE start < ? AND stop > ? "
            "ORDER BY at, enclosure, fan",
            (stop, start),
        )
        return [EnclosureEstimate(*row) for row in rows]

    def bank_days(self, start: int = 0, stop: int = 1 << 62) -> list[BankDay]:
        """In the order of time."""
        rows = self._connection.execute(
            "SELECT bank, at, start, stop, low_v, low_at, high_v, full_at, charge_ah, state_of_charge, autonomy_h "
            "FROM bank_state WHERE start < ? AND stop > ? ORDER BY at",
            (stop, start),
        )
        return [BankDay(*row) for row in rows]

    def light_days(self, first: dt.date | None = None, last: dt.date | None = None) -> list[LightDay]:
        """In the order of days, then channels."""
        rows = self._connection.execute(
            "SELECT channel, day, start, stop, offset_wm2, clear_min, gain, noon_shift_s, noon_sigma_s, drift "
            "FROM light_day WHERE day BETWEEN ? AND ? ORDER BY day, channel",
            _bounds(first, last),
        )
        return [LightDay(row[0], dt.date.fromisoformat(row[1]), *row[2:]) for row in rows]

    def findings(self, start: int = 0, stop: int = 1 << 62) -> list[Finding]:
        """Every finding raised or open in the span, the worst and the newest first."""
        rows = self._connection.execute(
            "SELECT rule, subject, state, priority, since, until, summary, evidence, causes, id FROM finding "
            "WHERE since < ? AND (until IS NULL OR until >= ?)",
            (stop, start),
        )
        found = [_finding(*row) for row in rows]
        return sorted(found, key=lambda f: (not f.is_open, PRIORITIES.index(f.priority), -f.since, f.rule, f.subject))


PRIORITIES = ("high", "medium", "low")

ARRAY_DAY_COLUMNS = (
    "array", "day", "start", "stop", "rated_w", "measured_wh", "expected_wh", "expected_low_wh", "expected_high_wh",
    "judged_measured_wh", "judged_expected_wh", "judged_low_wh", "judged_high_wh", "curtailed_wh", "covered_wh",
    "limited_wh", "performance_ratio", "plane_wh_m2", "daylight_min", "known_min", "judging_min", "completeness",
    "verdict", "cause", "states", "features", "evidence",
)  # fmt: skip


def _decoded(row: dict[str, Any]) -> dict[str, Any]:
    return row | {
        "day": dt.date.fromisoformat(row["day"]),
        "states": json.loads(row["states"]),
        "features": json.loads(row["features"]),
    }


def _finding(
    rule: str, subject: str, state: str, priority: str, since: int, until: int | None, summary: str, evidence: str,
    causes: str, number: int,
) -> Finding:  # fmt: skip
    ranked = tuple(Cause(**cause) for cause in json.loads(causes))
    return Finding(rule, subject, state, priority, since, until, summary, json.loads(evidence), ranked, number)


def _bounds(first: dt.date | None, last: dt.date | None) -> tuple[str, str]:
    return (first or dt.date.min).isoformat(), (last or dt.date.max).isoformat()
