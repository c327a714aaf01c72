"""An array gave less than the light allowed, over days in which nothing held it back; or it lay covered.

What the light allowed is told in two ways: by light and datasheet, and by the other arrays under a grey sky, where
all of them see the same (`analysis.twins`). A finding says which of the two found it; where both did, it is one. What
is too little for either is told by the clear days among themselves (`analysis.slight`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from analysis import alike, recurring, slight, twins
from analysis.causes import CAUSES
from analysis.diagnosis import rank
from analysis.features import cable_share, of_shortfall, steps_of_loss
from analysis.findings import History, Spell, between_changes, spells
from analysis.results import ArrayDay, Finding, StateRun, TwinDay
from analysis.twins import Compared

RULE = "yield-shortfall"
# Cleared only when the ratio's upper bound is this far back up; the verdict's own limit is 0.93.
_CLEAR_ABOVE = 0.96
_SEVERE_BELOW = 0.60
_JUDGED = ("shortfall", "healthy", "limited")


def found(history: History) -> list[Finding]:
    """One finding for each spell of shortfall, and for each spell under cover, of each array."""
    findings: list[Finding] = []
    compared = {name for d in history.twin_days for name in (d.one, d.other)}
    for name in sorted({d.array for d in history.array_days} | compared):
        days = [d for d in history.array_days if d.array == name]
        by_light = []
        for stretch, changed in between_changes(days, history.changes.get(f"array.{name}", ())):
            shadows = recurring.of_days(stretch)
            by_light += [
                _shortfall(history, stretch, spell, changed)
                for spell in _shortfalls(stretch)
                # What passes at one hour of the sun is told as such, not as the array's.
                if not any(recurring.accounts_for(dips, spell.shown) for dips in shadows)
            ]
        told = _with_twins(history, name, by_light)
        findings += told + slight.found(history, name, days, told)
        under = [_covered(name, runs, days, history) for runs in _covered_spells(history, name)]
        # What lay on it for so short a time that no day suffered is over, and no notice.
        findings += [f for f in under if f.until is None or f.evidence["days"]]
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
    features = of_shortfall(history, array, days, shown, spell.returned)
    lost = features.pop("lost_fraction")
    name = shown[0].array
    lost_wh = sum((d.judged_expected_wh or 0.0) - (d.judged_measured_wh or 0.0) for d in shown)
    return Finding(
        rule=RULE,
        subject=f"array.{name}",
        state="unacknowledged" if until is None else "returned",
        priority="high" if lost > 0.5 else "medium",
        since=_first_low(shown[0]),
        until=until,
        summary=f"the {name} array got {100 * (1 - lost):.0f} % of what the light allowed while nothing held it back",
        evidence={
            "days": [d.day.isoformat() for d in shown],
            "judged_ratio": round(1 - lost, 3),
            "lost_fraction": round(lost, 3),
            "lost_wh": round(lost_wh, 1),
            "found_by": "light and datasheet",
            "light": shown[-1].evidence,
            "mostly": _mostly(shown),
            "to_the_hour": "first_low" in shown[0].features,
            "features": {key: round(value, 3) for key, value in features.items()},
            **_beside(history, shown),
        },
        causes=rank(RULE, features, CAUSES),
    )


def _beside(history: History, shown: Sequence[ArrayDay]) -> dict[str, Any]:
    """What an alike array showed in the same moments; nothing where none is alike, or it lost as much."""
    dates = {d.day for d in shown}
    told = alike.beside([d for d in history.alike_days if d.day in dates], shown[0].array)
    if told is None:
        return {}
    return {
        "beside": f"array.{told.other}",
        "lost_by_volts_wh": round(told.by_volts_wh, 1),
        "lost_by_amps_wh": round(told.by_amps_wh, 1),
        "volts_apart_intervals": told.apart_10,
        "bright_intervals": told.bright,
    }


def _first_low(day: ArrayDay) -> int:
    """When the shortfall was first seen on its first day, UTC [ms]; the day's start where no hour shows it."""
    return int(day.features.get("first_low", day.start))


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


# -- under a grey sky -----------------------------------------------------------------------------------------


def _with_twins(history: History, name: str, by_light: Sequence[Finding]) -> list[Finding]:
    """The findings of one array with what the grey skies say of it: as support of one that stands, or by itself."""
    findings = list(by_light)
    for spell, ended in _weak_spells(history, name):
        since, until = spell.shown[0].start, spell.returned.start if spell.returned else ended
        told = _grey_evidence(spell.shown)
        stands = [
            i for i, f in enumerate(findings)
            if (until is None or f.since < until) and (f.until is None or f.until > since)
        ]  # fmt: skip
        for i in stands:
            evidence = findings[i].evidence | told | {"found_by": f"{findings[i].evidence['found_by']}, and {TWINS}"}
            findings[i] = replace(findings[i], evidence=evidence)
        if not stands:
            findings.append(_weaker(history, name, spell, since, until, told))
    return findings


TWINS = "grey-sky twins"


def _weak_spells(history: History, name: str) -> list[tuple[Spell[Compared], int | None]]:
    """Spells in which an array was weaker than most of those that it can be compared with, and the change that ended
    each: with one other array it is that one's word alone."""
    pairs: dict[str, list[TwinDay]] = {}
    for day in history.twin_days:
        if name in (day.one, day.other):
            pairs.setdefault(day.other if day.one == name else day.one, []).append(day)
    told: list[list[tuple[Spell[Compared], int | None]]] = []
    for other, days in pairs.items():
        changes = sorted({t for part in (name, other) for t in history.changes.get(f"array.{part}", ())})
        mine: list[tuple[Spell[Compared], int | None]] = []
        for stretch, changed in between_changes(days, changes):
            weeks = twins.weeks(stretch, name)
            mine += [
                (spell, changed)
                for spell in spells(
                    weeks, bad=lambda c: c.high < twins.LOW_BELOW, well=lambda c: c.ratio >= twins.WELL_ABOVE
                )
            ]
        told.append(mine)
    weak = [mine for mine in told if mine]
    return max(weak, key=lambda mine: mine[0][0].shown[-1].minutes) if 2 * len(weak) > len(told) else []


def _grey_evidence(shown: Sequence[Compared]) -> dict[str, Any]:
    last = shown[-1]
    return {
        "grey_ratio": round(last.ratio, 3),
        "grey_ratio_low": round(last.low, 3),
        "grey_ratio_high": round(last.high, 3),
        "grey_against": f"array.{last.other}",
        "grey_days": last.days,
        "grey_minutes": round(last.minutes),
    }


def _weaker(
    history: History, name: str, spell: Spell[Compared], since: int, until: int | None, told: dict[str, Any]
) -> Finding:
    last = spell.shown[-1]
    standing = history.settings.on(last.last).array
    array = next((a for a in standing if a.name == name), None)
    lost = 1.0 - last.ratio
    features = {"covered": 0.0, "sister_loss": 0.0}
    features |= steps_of_loss(array, lost) | cable_share(history, array, lost)
    return Finding(
        rule=RULE,
        subject=f"array.{name}",
        state="unacknowledged" if until is None else "returned",
        priority="high" if lost > 0.5 else "medium",
        since=since,
        until=until,
        summary=(
            f"the {name} array got {100 * last.ratio:.0f} % of what {last.other} got for each rated watt on "
            f"{last.days} grey days, when both see the same light"
        ),
        evidence={
            "lost_fraction": round(lost, 3),
            "found_by": TWINS,
            **told,
            "features": {key: round(value, 3) for key, value in features.items()},
        },
        causes=rank(RULE, features, CAUSES),
    )


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
        summary=f"the {name} array lay covered and gave almost nothing in good light",
        evidence={"days": [d.day.isoformat() for d in hidden], "covered_wh": round(lost_wh, 1), "lost_fraction": 1.0},
        causes=rank(RULE, {"covered": 1.0}, CAUSES),
    )
