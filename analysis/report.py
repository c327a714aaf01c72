"""Owns the verdict over a span of days, in the words and keys of the contract: what `assess --json` prints."""

from __future__ import annotations

import datetime as dt
import statistics
from collections.abc import Sequence
from typing import Any

from analysis import iec61724, ladder, verdicts
from analysis.assess import METHOD
from analysis.results import (
    EVIDENCE,
    PLANE,
    ArrayDay,
    EnclosureEstimate,
    Finding,
    Ladder,
    LightDay,
    LoopEstimate,
    Results,
    ratio,
)
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
        ``site from to method arrays wiring enclosures bank findings`` as the contract defines them. What is not
        known is None, never 0.
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
    return {
        "site": settings.site.name,
        "from": days[0].isoformat(),
        "to": days[-1].isoformat(),
        "method": METHOD,
        "arrays": [
            _array(name, [d for d in array_days if d.array == name], [e for e in ladders if e.array == name])
            for name in dict.fromkeys(a.name for a in settings.array)
            if any(d.array == name for d in array_days)
        ],
        "wiring": [
            _wiring([e for e in loops if e.cable == name])
            for name in dict.fromkeys(c.name for c in settings.cable)
            if any(e.cable == name for e in loops)
        ],
        "enclosures": _enclosures(results.enclosures(start, stop)),
        "bank": _bank(results, start, stop),
        "light": _light(results.light_days(days[0], days[-1])),
        "findings": [finding_entry(f) for f in results.findings(start, stop)],
    }


def _empty(settings: Settings) -> dict[str, Any]:
    return {
        "site": settings.site.name, "from": None, "to": None, "method": METHOD, "arrays": [], "wiring": [],
        "enclosures": [], "bank": None, "light": [], "findings": [],
    }  # fmt: skip


def _array(name: str, days: Sequence[ArrayDay], ladders: Sequence[Ladder]) -> dict[str, Any]:
    sums = verdicts.over(days)
    rungs = ladder.total(ladders)
    return {
        "name": name,
        **_figures(sums, sums["verdict"]),
        "ladder": {name: _rounded(wh, 2) for name, wh in rungs.items()} if rungs else None,
        "iec_61724": _iec61724(days, ladders),
        "days": [
            {
                "date": d.day.isoformat(),
                **_figures({key: getattr(d, key) for key in _SUMMED} | {"completeness": d.completeness}, d.verdict),
                "cause": d.cause,
                "states": {state: _rounded(minutes, 1) for state, minutes in d.states.items()},
            }
            for d in days
        ],
    }


def _iec61724(days: Sequence[ArrayDay], ladders: Sequence[Ladder]) -> dict[str, Any] | None:
    """Yields of the span and of its months; None where no sensor lay in the plane, as the standard wants one."""
    lit = [d for d in days if d.evidence == EVIDENCE[PLANE]]
    if not lit:
        return None
    months = iec61724.grouped([d.day.isoformat() for d in lit], "month")
    return {
        "span": _yields(lit, ladders),
        "months": {month: _yields([lit[i] for i in at], ladders) for month, at in months.items()},
    }


def _yields(days: Sequence[ArrayDay], ladders: Sequence[Ladder]) -> dict[str, float | None]:
    reached = {e.day: e.bank_wh for e in ladders}
    whole = all(d.day in reached for d in days)
    found = iec61724.yields(
        days[-1].rated_w,
        sum(d.plane_wh_m2 or 0.0 for d in days),
        sum(d.measured_wh or 0.0 for d in days),
        sum(reached[d.day] for d in days) if whole else None,
    )
    return {
        "reference_yield_h": _rounded(found.reference, 3),
        "array_yield_h": _rounded(found.array, 3),
        "final_yield_h": _rounded(found.final, 3),
        "capture_loss_h": _rounded(found.capture_loss, 3),
        "system_loss_h": _rounded(found.system_loss, 3),
        "performance_ratio": _rounded(found.performance_ratio, 4),
    }


_SUMMED = (
    "measured_wh", "expected_wh", "expected_low_wh", "expected_high_wh", "judged_measured_wh", "judged_expected_wh",
    "judged_low_wh", "judged_high_wh", "curtailed_wh", "covered_wh", "performance_ratio",
)  # fmt: skip


def _figures(sums: dict[str, Any], found: str) -> dict[str, Any]:
    judged = sums["judged_measured_wh"]
    return {
        "measured_wh": _rounded(sums["measured_wh"], 2),
        "expected_wh": _rounded(sums["expected_wh"], 2),
        "expected_low_wh": _rounded(sums["expected_low_wh"], 2),
        "expected_high_wh": _rounded(sums["expected_high_wh"], 2),
        "judged_ratio": _rounded(ratio(judged, sums["judged_expected_wh"]), 4),
        "judged_ratio_low": _rounded(ratio(judged, sums["judged_high_wh"]), 4),
        "judged_ratio_high": _rounded(ratio(judged, sums["judged_low_wh"]), 4),
        "curtailed_wh": _rounded(sums["curtailed_wh"], 2),
        "covered_wh": _rounded(sums["covered_wh"], 2),
        "performance_ratio": _rounded(sums["performance_ratio"], 4),
        "completeness": _rounded(sums["completeness"], 4),
        "verdict": found,
    }


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


def _enclosures(estimates: Sequence[EnclosureEstimate]) -> list[dict[str, Any]]:
    found = []
    for name in dict.fromkeys(e.enclosure for e in estimates):
        mine = [e for e in estimates if e.enclosure == name]
        told = [e for e in mine if e.thermal_resistance_k_per_w is not None]
        by_fan = {
            fan: [e.thermal_resistance_k_per_w for e in told if e.fan == fan and e.thermal_resistance_k_per_w]
            for fan in ("running", "stopped")
        }
        gain = (
            statistics.median(by_fan["stopped"]) / statistics.median(by_fan["running"])
            if by_fan["stopped"] and by_fan["running"]
            else None
        )
        latest = next((e for e in reversed(told) if e.fan != "stopped"), told[-1] if told else None)
        found.append(
            {
                "name": name,
                "peak_c": _rounded(max((e.peak_c for e in mine if e.peak_c is not None), default=None), 2),
                "limit_c": mine[-1].limit_c,
                "thermal_resistance_k_per_w": _rounded(latest.thermal_resistance_k_per_w if latest else None, 4),
                "fan_gain": _rounded(gain, 3),
            }
        )
    return found


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
    """What the span says of each light sensor."""
    found = []
    for channel in dict.fromkeys(d.channel for d in days):
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
