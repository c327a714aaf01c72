"""Owns the verdict over a span of days, in the words and keys of the contract: what `assess --json` prints."""

from __future__ import annotations

import datetime as dt
import statistics
from collections.abc import Mapping, Sequence
from typing import Any

from analysis import facing, ladder, report_alike, report_boxes, report_iec61724, report_trends, trends, verdicts
from analysis.assess import METHOD
from analysis.results import (
    ArrayDay,
    Finding,
    Ladder,
    LoopEstimate,
)
from analysis.results_light import FacingDay, LightDay
from analysis.results_reading import Results
from analysis.sky import BY_WEATHER
from analysis.sun import DAY_MS, day_start
from logger.settings import Settings

DEFAULT_DAYS = 14


def verdict(
    results: Results, settings: Settings, first: dt.date | None = None, last: dt.date | None = None
) -> dict[str, Any]:
    """The verdict over solar days, both included; by default the last fourteen that hold data.

    Returns
    -------
    dict
        ``site from to method arrays wiring enclosures bank findings`` as the contract defines them, and beside them
        ``twins alike storage light``. What is not known is None, never 0.
    """
    days = [d.day for d in results.days(first, last)]
    if first is None:
        days = days[-DEFAULT_DAYS:]
    if not days:
        return _empty(settings)
    start = day_start(days[0], settings.site.longitude)
    stop = day_start(days[-1], settings.site.longitude) + DAY_MS
    array_days = results.array_days(days[0], days[-1])
    ladders = results.ladders(days[0], days[-1])
    loops = results.loops(start, stop)
    trends_ = trends.of_results(results, settings, days[-1])
    facings = results.facing_days(days[0], days[-1])
    return {
        "site": settings.site.name,
        "from": days[0].isoformat(),
        "to": days[-1].isoformat(),
        "method": METHOD,
        "arrays": [
            _array(
                name,
                [d for d in array_days if d.array == name],
                [e for e in ladders if e.array == name],
                report_trends.trend_entry(trends_[name]),
                [f for f in facings if f.array == name],
            )
            for name in dict.fromkeys(a.name for a in settings.array)
            if any(d.array == name for d in array_days)
        ],
        "wiring": [
            _wiring([e for e in loops if e.cable == name])
            for name in dict.fromkeys(c.name for c in settings.cable)
            if any(e.cable == name for e in loops)
        ],
        "enclosures": report_boxes.entries(
            results.enclosures(start, stop), results.box_spells(start, stop), settings.site.longitude
        ),
        "twins": report_trends.twin_entries(results.twin_days(days[0], days[-1]), results.changes()),
        "alike": report_alike.entries(results.alike_days(days[0], days[-1])),
        "bank": _bank(results, start, stop),
        "storage": report_iec61724.storage_entry(results.storage_days(days[0], days[-1]), array_days),
        "light": _light(results.light_days(days[0], days[-1])),
        "findings": [finding_entry(f) for f in results.findings(start, stop)],
    }


def _empty(settings: Settings) -> dict[str, Any]:
    return {
        "site": settings.site.name, "from": None, "to": None, "method": METHOD, "arrays": [], "wiring": [],
        "enclosures": [], "twins": [], "alike": [], "bank": None, "storage": None, "light": [], "findings": [],
    }  # fmt: skip


def _array(
    name: str,
    days: Sequence[ArrayDay],
    ladders: Sequence[Ladder],
    trend: dict[str, Any],
    facings: Sequence[FacingDay],
) -> dict[str, Any]:
    sums = verdicts.over(days)
    rungs = ladder.total(ladders)
    return {
        "name": name,
        **_figures(sums),
        "ladder": {name: _rounded(wh, 2) for name, wh in rungs.items()} if rungs else None,
        "iec_61724": report_iec61724.array_entry(days, ladders),
        "clear_day_index": _rounded(ladder.clear_day_index(ladders), 4),
        "trend": trend,
        "facing": _facing(facings),
        "days": [
            {
                "date": d.day.isoformat(),
                **_figures({key: getattr(d, key) for key in verdicts.FIGURES}),
                "cause": d.cause,
                "clear_day_index": _rounded(ladder.clear_day_index([e for e in ladders if e.day == d.day]), 4),
                "states": {state: _rounded(minutes, 1) for state, minutes in d.states.items()},
            }
            for d in days
        ],
    }


def _facing(days: Sequence[FacingDay]) -> dict[str, Any] | None:
    """Which way an array's plane faces by the sunny days of a span, beside the drawing."""
    alike = [d for d in days if d.evidence == days[-1].evidence]
    if not alike:
        return None
    told, last = facing.together(alike), alike[-1]
    angle, _ = told.away_from(last.drawn_tilt, last.drawn_azimuth)
    return {
        **told.as_evidence(),
        "drawn_tilt": last.drawn_tilt,
        "drawn_azimuth": last.drawn_azimuth,
        "angle_degrees": _rounded(angle, 1),
        "found_by": last.evidence,
        "days": len(alike),
    }


def _figures(known: Mapping[str, Any]) -> dict[str, Any]:
    return {key: _figure(key, known[key]) for key in verdicts.FIGURES}


def _figure(key: str, value: Any) -> Any:
    return value if isinstance(value, str) else _rounded(value, 2 if key.endswith("_wh") else 4)


def _wiring(estimates: Sequence[LoopEstimate]) -> dict[str, Any]:
    """The latest resistance that could be told; losses are summed over the span."""
    told = [e for e in estimates if e.ohm is not None]
    last = told[-1] if told else estimates[-1]
    return {
        "name": last.cable,
        "at": iso(last.at) if told else None,
        "ohm": _rounded(last.ohm, 5),
        "ohm_low": _rounded(last.ohm_low, 5),
        "ohm_high": _rounded(last.ohm_high, 5),
        "design_ohm": _rounded(last.design_ohm, 5),
        "loss_wh": _rounded(sum(e.loss_wh or 0.0 for e in told), 2) if told else None,
        "drop_percent": _rounded(last.drop_percent, 3),
        "intercept_v": _rounded(last.intercept_v, 4),
    }


def _bank(results: Results, start: int, stop: int) -> dict[str, Any] | None:
    days = results.bank_days(start, stop)
    if not days:
        return None
    return {
        "name": days[-1].bank,
        "state_of_charge": _rounded(days[-1].state_of_charge, 1),
        "autonomy_h": _rounded(days[-1].autonomy_h, 1),
    }


def _light(days: Sequence[LightDay]) -> list[dict[str, Any]]:
    """What the span says of each light sensor; a weather series is none."""
    found = []
    for channel in dict.fromkeys(d.channel for d in days if d.channel != BY_WEATHER):
        mine = [d for d in days if d.channel == channel]
        gains = [d.gain for d in mine if d.gain is not None]
        shifts = [d.noon_shift_s for d in mine if d.noon_shift_s is not None]
        found.append(
            {
                "channel": channel,
                "night_offset_wm2": _rounded(statistics.median(d.offset_wm2 for d in mine), 2),
                "clear_days": len(gains),
                "gain": _rounded(statistics.median(gains), 4) if gains else None,
                "drift_taken_out": _rounded(mine[-1].drift, 2),
                "noon_shift_min": _rounded(statistics.median(shifts) / 60, 2) if shifts else None,
            }
        )
    return found


def finding_entry(found: Finding) -> dict[str, Any]:
    return {
        "id": found.id,
        "rule": found.rule,
        "subject": found.subject,
        "state": found.state,
        "priority": found.priority,
        "since": iso(found.since),
        "until": None if found.until is None else iso(found.until),
        "summary": found.summary,
        "evidence": found.evidence,
        "causes": [{"cause": c.cause, "probability": c.probability, "next_check": c.next_check} for c in found.causes],
    }


def iso(t: int) -> str:
    """A moment, UTC [ms], in ISO 8601 with Z."""
    return dt.datetime.fromtimestamp(t / 1000, dt.UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(float(value), digits)
