"""Owns the reading of the result tables: what was worked out, by days, spans or names, as values."""

from __future__ import annotations

import datetime as dt
import json
import sqlite3
from typing import Any

import pandas as pd

from analysis.file_clocks import DOUBTED, ENDS, PowerDay
from analysis.results import (
    ARRAY_DAY_COLUMNS,
    LADDER,
    PRIORITIES,
    ArrayDay,
    BankDay,
    Cause,
    EnclosureEstimate,
    Finding,
    Ladder,
    LoopEstimate,
    Note,
    StateRun,
    StorageDay,
    SunDay,
    TwinDay,
)
from analysis.results_alike import AlikeDay
from analysis.results_boxes import BoxSpell
from analysis.results_light import FacingDay, LightDay
from logger import hands_on
from logger.hands_on import HandsOn


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

    def power_days(self) -> list[PowerDay]:
        """What the days of arrays say of the clocks of their files, in the order of days, then arrays."""
        rows = self._connection.execute(
            f"SELECT array, day, start, stop, json_extract(features, '$.{ENDS}'), "
            f"json_extract(features, '$.{DOUBTED}') "
            "FROM yield_day ORDER BY day, array"
        )
        return [
            PowerDay(
                array, dt.date.fromisoformat(day), start, stop, tuple(json.loads(ends)) if ends else None, bool(doubt)
            )
            for array, day, start, stop, ends, doubt in rows
        ]

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
            "peak_at, limit_c, over_limit_min, loss_w, n, peak_air_c FROM enclosure_model WHERE start < ? AND stop > ? "
            "ORDER BY at, enclosure, fan",
            (stop, start),
        )
        return [EnclosureEstimate(*row) for row in rows]

    def box_spells(self, start: int = 0, stop: int = 1 << 62) -> list[BoxSpell]:
        """In the order of time."""
        rows = self._connection.execute(
            f"SELECT {', '.join(BoxSpell.__slots__)} FROM box_spell WHERE start < ? AND stop > ? "
            "ORDER BY start, enclosure",
            (stop, start),
        )
        return [BoxSpell(*row) for row in rows]

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

    def twin_days(self, first: dt.date | None = None, last: dt.date | None = None) -> list[TwinDay]:
        """In the order of days, then pairs; a day without grey light that two arrays share has none."""
        rows = self._connection.execute(
            "SELECT one, other, day, start, stop, minutes, one_wh, one_could_wh, other_wh, other_could_wh, sigma "
            "FROM twin_day WHERE day BETWEEN ? AND ? ORDER BY day, one, other",
            _bounds(first, last),
        )
        return [TwinDay(one, other, dt.date.fromisoformat(day), *rest) for one, other, day, *rest in rows]

    def alike_days(self, first: dt.date | None = None, last: dt.date | None = None) -> list[AlikeDay]:
        """In the order of days, then pairs; a day without light in which two alike arrays were heard has none."""
        rows = self._connection.execute(
            f"SELECT {', '.join(AlikeDay.__slots__)} FROM alike_day WHERE day BETWEEN ? AND ? ORDER BY day, one, other",
            _bounds(first, last),
        )
        return [AlikeDay(one, other, dt.date.fromisoformat(day), *rest) for one, other, day, *rest in rows]

    def facing_days(self, first: dt.date | None = None, last: dt.date | None = None) -> list[FacingDay]:
        """In the order of days, then arrays; a day that does not tell has none."""
        rows = self._connection.execute(
            f"SELECT {', '.join(FacingDay.__slots__)} FROM facing_day WHERE day BETWEEN ? AND ? ORDER BY day, array",
            _bounds(first, last),
        )
        return [FacingDay(array, dt.date.fromisoformat(day), *rest) for array, day, *rest in rows]

    def storage_days(self, first: dt.date | None = None, last: dt.date | None = None) -> list[StorageDay]:
        """In the order of days."""
        rows = self._connection.execute(
            "SELECT bank, day, start, stop, array_wh, backup_wh, to_storage_wh, from_storage_wh, load_wh, known_min "
            "FROM storage_day WHERE day BETWEEN ? AND ? ORDER BY day",
            _bounds(first, last),
        )
        return [StorageDay(bank, dt.date.fromisoformat(day), *rest) for bank, day, *rest in rows]

    def changes(self) -> dict[str, list[int]]:
        """When each part changed physically: subject, as ``array.cabin``, to moments UTC [ms], in order."""
        found: dict[str, list[int]] = {}
        for subject, start in self._connection.execute("SELECT subject, start FROM baseline ORDER BY subject, start"):
            found.setdefault(subject, []).append(start)
        return found

    def notes(self, start: int = 0, stop: int = 1 << 62) -> list[Note]:
        """Lines of the logbook, in the order of time."""
        rows = self._connection.execute(
            "SELECT t, text, tags FROM logbook WHERE t >= ? AND t < ? ORDER BY t, id", (start, stop)
        )
        return [Note(*row) for row in rows]

    def work(self, start: int, stop: int) -> list[HandsOn]:
        """Work on parts of the vessel that touches the span."""
        return hands_on.between(self._connection, start, stop)

    def findings(self, start: int = 0, stop: int = 1 << 62) -> list[Finding]:
        """Every finding raised or open in the span, the worst and the newest first."""
        rows = self._connection.execute(
            "SELECT rule, subject, state, priority, since, until, summary, evidence, causes, id FROM finding "
            "WHERE since < ? AND (until IS NULL OR until >= ?)",
            (stop, start),
        )
        found = [_finding(*row) for row in rows]
        return sorted(found, key=lambda f: (not f.is_open, PRIORITIES.index(f.priority), -f.since, f.rule, f.subject))


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
