"""An array gave less than the light allowed, over days in which nothing held it back; or it lay covered."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from typing import Any

from analysis.causes import CAUSES
from analysis.diagnosis import rank
from analysis.findings import History, Spell, between_changes, spells
from analysis.results import ArrayDay, Finding, StateRun
from logger.settings import Array

RULE = "yield-shortfall"
# Cleared only when the ratio's upper bound is this far back up; the verdict's own limit is 0.93.
_CLEAR_ABOVE = 0.96
_SEVERE_BELOW = 0.60
_JUDGED = ("shortfall", "healthy", "limited")


def found(history: History) -> list[Finding]:
    """One finding for each spell of shortfall, and for each spell under cover, of each array."""
    findings: list[Finding] = []
    for name in sorted({d.array for d in history.array_days}):
        days = [d for d in history.array_days if d.array == name]
        for stretch, changed in between_changes(days, history.changes.get(f"array.{name}", ())):
            findings += [_shortfall(history, stretch, spell, changed) for spell in _shortfalls(stretch)]
        findings += [_covered(name, runs, days, history) for runs in _covered_spells(history, name)]
    return findings


def _shortfalls(days: Sequence[ArrayDay]) -> list[Spell[ArrayDay]]:
    return spells(
        [d for d in days if d.verdict in _JUDGED],
        bad=lambda d: d.verdict == "shortfall",
        well=lambda d: (d.judged_ratio_high or 0.0) >= _CLEAR_ABOVE,
        at_once=lambda d: (d.judged_ratio_high or 1.0) < _SEVERE_BELOW,
    )


def _shortfall(history: History, days: Sequence[ArrayDay], spell: Spell[ArrayDay], changed: int | None) -> Finding:
    shown, until = spell.shown, spell.returned.start if spell.returned else changed
    standing = history.settings.on(shown[-1].day).array
    array = next((a for a in standing if a.name == shown[0].array), None)
    features = _features(history, array, days, shown)
    lost = features.pop("lost_fraction")
    name = shown[0].array
    lost_wh = sum((d.judged_expected_wh or 0.0) - (d.judged_measured_wh or 0.0) for d in shown)
    return Finding(
        rule=RULE,
        subject=f"array.{name}",
        state="unacknowledged" if until is None else "returned",
        priority="high" if lost > 0.5 else "medium",
        since=shown[0].start,
        until=until,
        summary=f"{name} got {100 * (1 - lost):.0f} % of what the light allowed while nothing held it back",
        evidence={
            "days": [d.day.isoformat() for d in shown],
            "judged_ratio": round(1 - lost, 3),
            "lost_fraction": round(lost, 3),
            "lost_wh": round(lost_wh, 1),
            "mostly": _mostly(shown),
            "features": {key: round(value, 3) for key, value in features.items()},
        },
        causes=rank(RULE, features, CAUSES),
    )


def _mostly(days: Sequence[ArrayDay]) -> str | None:
    """The part of the day, about true solar noon, in which most of the loss lies; None where it is spread."""
    lost = {"morning": 0.0, "midday": 0.0, "afternoon": 0.0}
    for d in days:
        for hour, (got, could) in d.features.get("by_hour", {}).items():
            part = "morning" if int(hour) < -1 else "midday" if int(hour) < 1 else "afternoon"
            lost[part] += could - got
    whole = sum(lost.values())
    most = max(lost, key=lambda part: lost[part])
    return most if whole > 0 and lost[most] > 0.6 * whole else None


def _features(
    history: History, array: Array | None, days: Sequence[ArrayDay], shown: Sequence[ArrayDay]
) -> dict[str, float]:
    got, could = _sums(d.features[key] for d in shown for key in ("heavy", "light") if d.features)
    lost = 1.0 - got / could if could else 1.0
    features: dict[str, float] = {"lost_fraction": lost, "covered": 0.0}
    hours: dict[str, list[list[float]]] = {}
    for d in shown:
        for hour, pair in d.features.get("by_hour", {}).items():
            hours.setdefault(hour, []).append(pair)
    by_hour = [_lost(pairs) for pairs in hours.values()]
    weighty = [loss for loss, could_wh in by_hour if could_wh > 0.03 * could]
    if lost > 0 and len(weighty) >= 3:
        features["evenness"] = statistics.median(weighty) / lost
    for name, one, other in (("beam_minus_grey", "beam", "grey"), ("heavy_minus_light", "heavy", "light")):
        (a, a_wh), (b, b_wh) = (_lost([d.features[key] for d in shown if d.features]) for key in (one, other))
        if lost > 0 and min(a_wh, b_wh) > 0.05 * could:
            features[name] = (a - b) / lost
    sisters = [
        s.judged_ratio
        for s in history.array_days
        if s.array != shown[0].array and s.judged_ratio is not None and s.day in {d.day for d in shown}
    ]
    if sisters and lost > 0:
        features["sister_loss"] = max(1.0 - statistics.median(sisters), 0.0) / lost
    before = [d.judged_ratio for d in days if d.start < shown[0].start and d.judged_ratio is not None][-3:]
    first = shown[0].judged_ratio
    if len(before) >= 2 and first is not None and lost > 0:
        level = statistics.median(before)
        features["suddenness"] = min(max((level - first) / max(level - (1.0 - lost), 0.02), 0.0), 1.5)
    return features | _steps_of_loss(array, lost) | _cable_share(history, array, lost)


def _steps_of_loss(array: Array | None, lost: float) -> dict[str, float]:
    if array is None:
        return {}
    found = {}
    if array.strings_in_parallel > 1:
        found["string_share"] = lost - 1.0 / array.strings_in_parallel
    if array.module.substrings:
        one = 1.0 / (array.module.substrings * array.modules_in_series * array.strings_in_parallel)
        found["substring_share"] = lost - max(round(lost / one), 1) * one
    return found


def _cable_share(history: History, array: Array | None, lost: float) -> dict[str, float]:
    if array is None or lost <= 0:
        return {}
    cable = next((c.name for c in history.settings.cable if c.carries == f"array.{array.name}"), None)
    drops = [e.drop_percent for e in history.loops if e.cable == cable and e.drop_percent is not None]
    return {"cable_share": min(drops[-1] / 100.0 / lost, 1.5)} if drops else {}


def _sums(pairs: Any) -> tuple[float, float]:
    got = could = 0.0
    for pair in pairs:
        got += pair[0]
        could += pair[1]
    return got, could


def _lost(pairs: Sequence[Sequence[float]]) -> tuple[float, float]:
    got, could = _sums(pairs)
    return (1.0 - got / could if could else 0.0), could


# -- under cover ----------------------------------------------------------------------------------------------


def _covered_spells(history: History, name: str) -> list[list[StateRun]]:
    """Covered stretches, joined across the nights between them."""
    spells_: list[list[StateRun]] = []
    joined = False
    for run in (r for r in history.states if r.array == name and r.state != "night"):
        if run.state == "covered":
            if joined:
                spells_[-1].append(run)
            else:
                spells_.append([run])
        joined = run.state == "covered"
    return spells_


def _covered(name: str, runs: list[StateRun], days: Sequence[ArrayDay], history: History) -> Finding:
    hidden = [d for d in days if d.verdict == "covered" and d.stop > runs[0].start and d.start < runs[-1].stop]
    later = any(r.array == name and r.start >= runs[-1].stop and r.state != "night" for r in history.states)
    lost_wh = sum(d.covered_wh or 0.0 for d in hidden)
    return Finding(
        rule=RULE,
        subject=f"array.{name}",
        state="returned" if later else "unacknowledged",
        priority="medium",
        since=runs[0].start,
        until=runs[-1].stop if later else None,
        summary=f"{name} lay covered and gave almost nothing in good light",
        evidence={"days": [d.day.isoformat() for d in hidden], "covered_wh": round(lost_wh, 1), "lost_fraction": 1.0},
        causes=rank(RULE, {"covered": 1.0}, CAUSES),
    )
