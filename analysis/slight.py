"""Owns shortfalls too slight for a day's own interval: dirt that creeps in, and shadows at one hour of the sun.

An error of light or datasheet is the same on all clear days and at all their hours, so that what differs among them is
known far better than how high they lie.
"""

from __future__ import annotations

from collections.abc import Sequence

from analysis import creeping, recurring, trends
from analysis.causes import CAUSES
from analysis.creeping import Crept
from analysis.diagnosis import rank
from analysis.explained import without_cables, without_findings
from analysis.findings import History, between_changes
from analysis.folding import CLEAR_DAYS, HOURS
from analysis.recurring import Dips
from analysis.results import ArrayDay, Finding

RULE = "yield-shortfall"


def found(history: History, name: str, days: Sequence[ArrayDay], told: Sequence[Finding]) -> list[Finding]:
    """Slight shortfalls of one array, where none of those told already stands.

    Parameters
    ----------
    days : sequence of ArrayDay
        Of this array.
    told : sequence of Finding
        Its other shortfalls.
    """
    free, _ = without_findings(days, told)
    changes = history.changes.get(f"array.{name}", ())
    findings = []
    for stretch, changed in between_changes(free, changes):
        findings += [_dipping(name, dips, changed) for dips in recurring.of_days(stretch)]
    without_dips, _ = without_findings(free, findings)
    without_runs, _ = without_cables(without_dips, history.settings, history.loops)
    start_of = {d.day: d.start for d in days}
    trend = trends.of_array(name, without_runs, history.notes, changes)
    for crept in creeping.of_trend(trend):
        findings.append(_creeping(name, crept, start_of[crept.since], start_of[crept.until] if crept.until else None))
    return [f for f in findings if not any(_overlap(f, other) for other in told)]


def _overlap(one: Finding, other: Finding) -> bool:
    return (other.until is None or other.until > one.since) and (one.until is None or one.until > other.since)


def _creeping(name: str, crept: Crept, since: int, until: int | None) -> Finding:
    features = {"covered": 0.0, "evenness": 1.0, "suddenness": 0.0, "creep": 1.0}
    if crept.washed is not None:
        features["washed"] = min(max(crept.washed / crept.lost, 0.0), 1.5)
    return Finding(
        rule=RULE,
        subject=f"array.{name}",
        state="unacknowledged" if until is None else "returned",
        priority="low",
        since=since,
        until=until,
        summary=f"the {name} array lost {100 * crept.lost:.0f} % from clear day to clear day, a little each day",
        evidence={
            "lost_fraction": round(crept.lost, 3),
            "lost_fraction_low": round(crept.low, 3),
            "lost_fraction_high": round(crept.high, 3),
            "clear_days": crept.days,
            "found_by": CLEAR_DAYS,
            "features": features,
        },
        causes=rank(RULE, features, CAUSES),
    )


def _dipping(name: str, dips: Dips, changed: int | None) -> Finding:
    until = dips.returned.start if dips.returned else changed
    hours = recurring.in_words(dips.first, dips.last)
    could = sum(d.judged_expected_wh or 0.0 for d in dips.shown)
    features = {"covered": 0.0, "evenness": 0.0, "recurs": 1.0, "beam_minus_grey": 0.8}
    return Finding(
        rule=RULE,
        subject=f"array.{name}",
        state="unacknowledged" if until is None else "returned",
        priority="low",
        since=dips.shown[0].start,
        until=until,
        summary=(
            f"the {name} array dips {hours} on clear days and comes back within the hour: "
            f"{dips.lost_wh / len(dips.shown):.0f} Wh a day"
        ),
        evidence={
            "days": [d.day.isoformat() for d in dips.shown],
            "hours": hours,
            "lost_wh": round(dips.lost_wh, 1),
            "lost_fraction": round(dips.lost_wh / could, 3) if could else None,
            "found_by": HOURS,
            "features": features,
        },
        causes=rank(RULE, features, CAUSES),
    )
