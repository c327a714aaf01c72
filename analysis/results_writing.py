"""Owns the writing of the result tables: the only code that does."""

from __future__ import annotations

import dataclasses
import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain, repeat
from typing import Any

import numpy as np

from analysis.ceiling import Steps
from analysis.frames import Grid
from analysis.results import (
    ARRAY_DAY_COLUMNS,
    LADDER,
    ArrayDay,
    BankDay,
    EnclosureEstimate,
    Finding,
    Ladder,
    LoopEstimate,
    StateRun,
    StorageDay,
    SunDay,
    TwinDay,
)
from analysis.results_alike import AlikeDay
from analysis.results_boxes import BoxSpell
from analysis.results_light import FacingDay, LightDay
from analysis.sun import Floats, Times

_TOGETHER = 16
_MINUTE_COLUMNS = ("measured_w", "expected_w", "low_w", "high_w", "plane_wm2", "module_c")
# Every array of the table of states by as many looks into its key: DISTINCT would walk through all of its rows.
_ARRAYS = (
    "WITH RECURSIVE one(array) AS (SELECT min(array) FROM state UNION ALL "
    "SELECT (SELECT min(array) FROM state WHERE array > one.array) FROM one WHERE one.array IS NOT NULL) "
    "SELECT array FROM one WHERE array IS NOT NULL"
)


@dataclass(frozen=True, slots=True)
class Minutes:
    """What was worked out for each interval of a grid, of one array.

    Attributes
    ----------
    start : ndarray of int
        UTC [ms].
    step : int
        Length of an interval [ms].
    values : ndarray, shape (n, 6)
        A column each for measured, expected, low and high power [W], plane [W/m²] and module temperature [°C]; NaN
        where unknown.
    """

    start: Times
    step: int
    values: Floats

    @classmethod
    def of(cls, grid: Grid, **columns: Floats) -> Minutes:
        """From the columns of the table of the same names."""
        return cls(grid.start, grid.step, np.stack([columns[name] for name in _MINUTE_COLUMNS], axis=1).round(3))

    def where(self, mask: np.ndarray[Any, np.dtype[np.bool_]]) -> Minutes:
        """Those intervals alone."""
        return Minutes(self.start[mask], self.step, self.values[mask])

    def __getitem__(self, column: str) -> Floats:
        return np.asarray(self.values[:, _MINUTE_COLUMNS.index(column)])


@dataclass(frozen=True, slots=True)
class DayResults:
    """All that was worked out for one solar day."""

    sun: SunDay
    array_days: Sequence[ArrayDay]
    expected: dict[str, Minutes]
    states: Sequence[StateRun]
    loops: Sequence[LoopEstimate]
    enclosures: Sequence[EnclosureEstimate]
    bank: BankDay | None
    light: Sequence[LightDay] = ()
    ladders: Sequence[Ladder] = ()
    twins: Sequence[TwinDay] = ()
    storage: StorageDay | None = None
    facings: Sequence[FacingDay] = ()
    warmth: Mapping[str, Steps] = field(default_factory=dict)
    """Of each box whose fan nobody hears; not written, spells of days are worked out of it."""
    alike: Sequence[AlikeDay] = ()


def write_day(connection: sqlite3.Connection, day: DayResults, method: str) -> None:
    """Put one day's results in the place of whatever stood there. Call inside a transaction."""
    start, stop, name = day.sun.start, day.sun.stop, day.sun.day.isoformat()
    for table in ("assessed", "yield_day", "light_day", "ladder", "twin_day", "storage_day", "facing_day", "alike_day"):
        connection.execute(f"DELETE FROM {table} WHERE day = ?", (name,))
    arrays = {row[0] for row in connection.execute(_ARRAYS)} | set(day.expected)
    for array in arrays:
        connection.execute("DELETE FROM expected WHERE array = ? AND t >= ? AND t < ?", (array, start, stop))
        connection.execute("DELETE FROM state WHERE array = ? AND start >= ? AND start < ?", (array, start, stop))
    for table in ("loop_resistance", "enclosure_model", "bank_state"):
        connection.execute(f"DELETE FROM {table} WHERE start >= ? AND start < ?", (start, stop))
    sun = day.sun
    connection.execute(
        "INSERT INTO assessed (day, start, stop, settings_hash, first_light, noon, last_light, method) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (name, start, stop, sun.settings_hash, sun.first_light, sun.noon, sun.last_light, method),
    )
    _insert(
        connection,
        f"yield_day ({', '.join(ARRAY_DAY_COLUMNS)}, method)",
        (
            (
                *(getattr(d, key) for key in ARRAY_DAY_COLUMNS[:1]), d.day.isoformat(),
                *(getattr(d, key) for key in ARRAY_DAY_COLUMNS[2:-3]),
                json.dumps(d.states), json.dumps(d.features), d.evidence, method,
            )
            for d in day.array_days
        ),
    )  # fmt: skip
    _insert(
        connection,
        f"ladder (array, day, start, {', '.join(LADDER)}, method)",
        ((e.array, name, e.start, *(round(getattr(e, key), 4) for key in LADDER), method) for e in day.ladders),
    )
    for array, minutes in day.expected.items():
        # SQLite has no NaN: sqlite3 stores it as NULL, which is what an unknown value is.
        rows = zip(
            repeat(array), minutes.start.tolist(), repeat(minutes.step), *minutes.values.T.tolist(), repeat(method),
            strict=False,
        )  # fmt: skip
        _insert(connection, f"expected (array, t, interval_ms, {', '.join(_MINUTE_COLUMNS)}, method)", rows)
    _insert(
        connection,
        "state (array, start, stop, state, evidence, method)",
        ((s.array, s.start, s.stop, s.state, s.evidence, method) for s in day.states),
    )
    _insert(
        connection,
        "loop_resistance (cable, at, start, stop, ohm, ohm_low, ohm_high, intercept_v, design_ohm, current_a, loss_wh, "
        "drop_percent, n, method)",
        ((*_values(e), method) for e in day.loops),
    )
    _insert(
        connection,
        "enclosure_model (enclosure, at, start, stop, fan, thermal_resistance_k_per_w, low_k_per_w, high_k_per_w, "
        "peak_c, peak_at, limit_c, over_limit_min, loss_w, n, peak_air_c, method)",
        ((*_values(e), method) for e in day.enclosures),
    )
    _insert(
        connection,
        "light_day (channel, day, start, stop, offset_wm2, clear_min, gain, noon_shift_s, noon_sigma_s, drift, method)",
        ((x.channel, name, *_values(x)[2:], method) for x in day.light),
    )
    _insert(
        connection,
        "twin_day (one, other, day, start, stop, minutes, one_wh, one_could_wh, other_wh, other_could_wh, sigma, "
        "method)",
        ((x.one, x.other, name, *_values(x)[3:], method) for x in day.twins),
    )
    _insert(
        connection,
        f"facing_day ({', '.join(FacingDay.__slots__)}, method)",
        ((x.array, name, *_values(x)[2:], method) for x in day.facings),
    )
    _insert(
        connection,
        f"alike_day ({', '.join(AlikeDay.__slots__)}, method)",
        ((x.one, x.other, name, *_values(x)[3:], method) for x in day.alike),
    )
    if day.storage:
        _insert(
            connection,
            "storage_day (bank, day, start, stop, array_wh, backup_wh, to_storage_wh, from_storage_wh, load_wh, "
            "known_min, method)",
            [(day.storage.bank, name, *_values(day.storage)[2:], method)],
        )
    if day.bank:
        _insert(
            connection,
            "bank_state (bank, at, start, stop, low_v, low_at, high_v, full_at, charge_ah, state_of_charge, "
            "autonomy_h, method)",
            [(*_values(day.bank), method)],
        )


def _values(record: Any) -> tuple[Any, ...]:
    return tuple(getattr(record, name) for name in type(record).__slots__)


def _insert(connection: sqlite3.Connection, into: str, rows: Iterable[tuple[Any, ...]]) -> None:
    count = into.count(",") + 1
    one = f"({', '.join('?' * count)})"
    every = list(rows)
    # A round of the statement for sixteen rows takes much less time than sixteen rounds.
    whole = len(every) // _TOGETHER * _TOGETHER
    values = chain.from_iterable(every[:whole])
    together = zip(*[values] * (count * _TOGETHER), strict=True)
    connection.executemany(f"INSERT INTO {into} VALUES {', '.join([one] * _TOGETHER)}", together)
    connection.executemany(f"INSERT INTO {into} VALUES {one}", every[whole:])


def write_spells(
    connection: sqlite3.Connection, gone: Sequence[tuple[str, int]], spells: Sequence[BoxSpell], method: str
) -> None:
    """Take out the spells of boxes that stand no longer, and put these in their places. Call inside a transaction."""
    keys = [*gone, *((s.enclosure, s.start) for s in spells)]
    connection.executemany("DELETE FROM box_spell WHERE enclosure = ? AND start = ?", keys)
    _insert(connection, f"box_spell ({', '.join(BoxSpell.__slots__)}, method)", ((*_values(s), method) for s in spells))


def write_changes(connection: sqlite3.Connection, changes: Mapping[str, Sequence[int]]) -> None:
    """Make the table of baselines hold exactly these changes. Call inside a transaction."""
    connection.execute("DELETE FROM baseline")
    rows = [(subject, start) for subject, starts in changes.items() for start in starts]
    connection.executemany("INSERT INTO baseline (subject, start) VALUES (?, ?)", rows)


def write_findings(connection: sqlite3.Connection, found: Sequence[Finding], method: str) -> None:
    """Make the table hold exactly these findings; a finding that stays keeps its number. Call inside a transaction."""
    known = {
        (rule, subject, since): number
        for number, rule, subject, since in connection.execute("SELECT id, rule, subject, since FROM finding")
    }
    wanted = {(f.rule, f.subject, f.since) for f in found}
    connection.executemany("DELETE FROM finding WHERE id = ?", [(n,) for key, n in known.items() if key not in wanted])
    for f in sorted(found, key=lambda f: f.since):
        connection.execute(
            "INSERT INTO finding (rule, subject, state, priority, since, until, summary, evidence, causes, method) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (rule, subject, since) DO UPDATE SET "
            # What a person has said of an open finding stands until it returns.
            "state = CASE WHEN excluded.state = 'unacknowledged' "
            "AND finding.state NOT IN ('returned', 'out-of-service') THEN finding.state ELSE excluded.state END, "
            "priority = excluded.priority, until = excluded.until, summary = excluded.summary, "
            "evidence = excluded.evidence, causes = excluded.causes, method = excluded.method",
            (
                f.rule, f.subject, f.state, f.priority, f.since, f.until, f.summary,
                json.dumps(f.evidence, allow_nan=False),
                json.dumps([dataclasses.asdict(cause) for cause in f.causes]),
                method,
            ),
        )  # fmt: skip
