"""The fan is told to run and the box sheds no more heat than it would without: told by K/W against its own history.

Where nobody hears whether it runs, the warmth at which it used to hold the box tells it, where it held it at one.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence

from analysis import setpoint
from analysis.causes import CAUSES
from analysis.diagnosis import rank
from analysis.findings import History, Spell, between_changes, spells
from analysis.results import EnclosureEstimate, Finding

RULE = "fan-ineffective"
# K/W this many times its own best days', lower bound, raises; back under that clears. Common practice, no source.
_RAISE, _CLEAR, _AT_ONCE = 1.35, 1.2, 1.7
_BASELINE_DAYS = 5
_BASELINE_LEAST = 2


def found(history: History) -> list[Finding]:
    """One finding for each spell of each fan whose box has its own history; a change of fan or box begins a new one."""
    findings = []
    for fan in {fan.name: fan for fan in history.settings.fan}.values():
        changes = sorted(
            {t for s in (f"fan.{fan.name}", f"enclosure.{fan.enclosure}") for t in history.changes.get(s, ())}
        )
        if setpoint.is_held(history, fan.enclosure):
            findings += [_past(fan.name, fan.enclosure, p) for p in setpoint.past(history, fan.enclosure, changes)]
            continue
        running = [
            e
            for e in history.enclosures
            if e.enclosure == fan.enclosure and e.fan != "stopped" and e.thermal_resistance_k_per_w is not None
        ]
        for stretch, changed in between_changes(running, changes):
            findings += _in_stretch(fan.name, fan.enclosure, stretch, changed)
    return findings


def _in_stretch(fan: str, box: str, running: Sequence[EnclosureEstimate], changed: int | None) -> list[Finding]:
    baseline = baseline_of(running)
    if baseline is None:
        return []
    found_ = spells(
        running[_BASELINE_LEAST:],
        bad=lambda e: (e.low_k_per_w or 0.0) > _RAISE * baseline,
        well=lambda e: (e.thermal_resistance_k_per_w or 0.0) < _CLEAR * baseline,
        at_once=lambda e: (e.low_k_per_w or 0.0) > _AT_ONCE * baseline,
    )
    return [_finding(fan, box, baseline, running, spell, changed) for spell in found_]


def baseline_of(running: Sequence[EnclosureEstimate]) -> float | None:
    """K/W of the box with its fan at work, from the first days that could tell it; None before there are two."""
    first = [e.thermal_resistance_k_per_w for e in running[:_BASELINE_DAYS] if e.thermal_resistance_k_per_w]
    return statistics.median_low(first) if len(first) >= _BASELINE_LEAST else None


def _finding(
    fan: str,
    box: str,
    baseline: float,
    running: Sequence[EnclosureEstimate],
    spell: Spell[EnclosureEstimate],
    changed: int | None,
) -> Finding:
    until = spell.returned.start if spell.returned else changed
    last = spell.shown[-1]
    now = statistics.median(e.thermal_resistance_k_per_w or 0.0 for e in spell.shown[-3:])
    before = [e for e in running if e.start < spell.shown[0].start]
    level = before[-1].thermal_resistance_k_per_w if before else None
    features = {"jump": min(max(((spell.shown[0].thermal_resistance_k_per_w or now) - (level or baseline)), 0.0)
                / max(now - (level or baseline), 0.01), 1.5)}  # fmt: skip
    return Finding(
        rule=RULE,
        subject=f"fan.{fan}",
        state="unacknowledged" if until is None else "returned",
        priority="medium",
        since=spell.shown[0].start,
        until=until,
        summary=(
            f"the {box} box warms {round(now, 3):.2f} K for each watt lost in it, {baseline:.2f} K while its fan worked"
        ),
        evidence={
            "k_per_w": round(now, 3),
            "baseline_k_per_w": round(baseline, 3),
            "ratio": round(now / baseline, 2),
            "peak_c": None if last.peak_c is None else round(last.peak_c, 1),
            "limit_c": last.limit_c,
            "days": len({e.start for e in spell.shown}),
        },
        causes=rank(RULE, features, CAUSES),
    )


def _past(fan: str, box: str, told: setpoint.Past) -> Finding:
    until = told.spell.returned.start if told.spell.returned else told.ended
    return Finding(
        rule=RULE,
        subject=f"fan.{fan}",
        state="unacknowledged" if until is None else "returned",
        priority="medium",
        since=told.spell.shown[0].start,
        until=until,
        summary=f"the {box} box runs to {told.peak_c:.0f} °C; its fan used to hold it at {told.ceiling_c:.0f} °C",
        evidence={
            "ceiling_c": round(told.ceiling_c, 1),
            "peak_c": round(told.peak_c, 1),
            "limit_c": told.spell.shown[-1].limit_c,
            "days": len(told.spell.shown),
        },
        causes=rank(RULE, told.features, CAUSES),
    )
