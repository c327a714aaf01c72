"""An array gives nothing in good light while its instruments are heard: a way is open, or its volts are too few."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from analysis.causes import CAUSES
from analysis.diagnosis import rank
from analysis.findings import History, Spell, between_changes, spells
from analysis.hands import reach
from analysis.results import EVIDENCE, WEATHER, ArrayDay, Finding
from analysis.sun import DAY_MS

RULE = "array-dead"
# An hour of light in which it stood still raises it, and clears it when there was current; common practice, no source.
_LEAST_MIN = 60.0
# By light that nobody measured aboard: a satellite sees no fog in the valley.
_LEAST_FAR_MIN = 120.0
# Of the first interval after work a part may lie in it.
_LATE_MS = 30 * 60_000


def found(history: History) -> list[Finding]:
    """One finding for each spell of each array; a change of the array ends it."""
    findings = []
    for name in sorted({d.array for d in history.array_days}):
        days = [d for d in history.array_days if d.array == name]
        for stretch, changed in between_changes(days, history.changes.get(f"array.{name}", ())):
            for spell in spells(stretch, bad=_dead, well=_alive, to_raise=1, to_clear=1):
                findings.append(_finding(name, spell, changed, _was_worked_on(history, name, spell.shown[0])))
    return findings


def _still(day: ArrayDay) -> dict[str, Any]:
    return dict(day.features.get("standstill", {}))


def _dead(day: ArrayDay) -> bool:
    least = _LEAST_FAR_MIN if day.evidence == EVIDENCE[WEATHER] else _LEAST_MIN
    return bool(_still(day).get("minutes", 0.0) >= least)


def _alive(day: ArrayDay) -> bool:
    return day.judging_min >= _LEAST_MIN


def _was_worked_on(history: History, name: str, day: ArrayDay) -> bool:
    """Whether hands came out of the array, or of what it hangs on, in the day before it stood still."""
    since = _still(day)["start"]
    return any(
        since - DAY_MS <= work.stop <= since + _LATE_MS and f"array.{name}" in reach(work.subject, history.settings)
        for work in history.work
    )


def _finding(name: str, spell: Spell[ArrayDay], changed: int | None, worked_on: bool) -> Finding:
    days = [_still(d) for d in spell.shown]
    last = days[-1]
    over = spell.returned is not None or last["alive_min"] >= _LEAST_MIN
    until = last["stop"] if over else changed
    drawn = _mean(days, "by_drawing") or 0.0
    volts = last["array_v"]
    words = "hot modules do not reach the bank's volts" if drawn > 0.5 else "good light, and no current"
    return Finding(
        rule=RULE,
        subject=f"array.{name}",
        state="unacknowledged" if until is None else "returned",
        priority="medium" if drawn > 0.5 else "high",
        since=days[0]["start"],
        until=until,
        summary=f"the {name} array gives nothing: {words}"
        + (f", {volts:.1f} V at its controller" if volts is not None else "")
        + ("; hands were in it before: a way may still be open" if worked_on else ""),
        evidence={
            "days": [d.day.isoformat() for d in spell.shown],
            "minutes": round(sum(d["minutes"] for d in days)),
            "lost_wh": round(sum(d["lost_wh"] for d in days), 1),
            "array_v": volts,
            "share_of_open_circuit": _mean(days, "volts_share"),
            "volts_too_low": _mean(days, "too_low"),
            "by_drawing": round(drawn, 3),
        }
        | ({"hands_before": True} if worked_on else {}),
        causes=rank(RULE, _features(days), CAUSES),
    )


def _features(days: Sequence[dict[str, Any]]) -> dict[str, float]:
    """What the array's volts tell; nothing where nobody measures them."""
    share = _mean(days, "volts_share")
    if share is None:
        return {}
    return {
        "volts_share": share,
        "below_need": _mean(days, "too_low") or 0.0,
        "by_drawing": _mean(days, "by_drawing") or 0.0,
        **({"trickle": trickle} if (trickle := _mean(days, "trickle")) is not None else {}),
    }


def _mean(days: Sequence[dict[str, Any]], key: str) -> float | None:
    """Weighed by the minutes of each day."""
    known = [(d[key], d["minutes"]) for d in days if d.get(key) is not None]
    return round(sum(v * m for v, m in known) / sum(m for _, m in known), 3) if known else None
