"""The air in a box passed the limit of what it holds, for long enough to count."""

from __future__ import annotations

from analysis.causes import CAUSES
from analysis.diagnosis import rank
from analysis.findings import History, Spell, spells
from analysis.results import EnclosureEstimate, Finding

RULE = "enclosure-over-temperature"
_LEAST_MIN = 10.0
_CLEAR_K = 3.0
_HIGH_C = 60.0


def found(history: History) -> list[Finding]:
    """One finding for each spell of each box; one day over the limit is enough."""
    findings = []
    for name in sorted({e.enclosure for e in history.enclosures}):
        # A day stands once, whichever ways the fan was told.
        days = list({e.start: e for e in history.enclosures if e.enclosure == name and e.peak_c is not None}.values())
        for spell in spells(
            days,
            bad=lambda e: (e.over_limit_min or 0.0) >= _LEAST_MIN,
            well=lambda e: (e.peak_c or 0.0) < e.limit_c - _CLEAR_K,
            to_raise=1,
            to_clear=1,
        ):
            findings.append(_finding(name, spell))
    return findings


def _finding(name: str, spell: Spell[EnclosureEstimate]) -> Finding:
    worst = max(spell.shown, key=lambda e: e.peak_c or 0.0)
    peak = worst.peak_c or 0.0
    return Finding(
        rule=RULE,
        subject=f"enclosure.{name}",
        state="unacknowledged" if spell.returned is None else "returned",
        priority="high" if peak >= _HIGH_C else "medium",
        since=spell.shown[0].peak_at or spell.shown[0].start,
        until=spell.returned.start if spell.returned else None,
        summary=f"the {name} box reached {peak:.1f} °C; what it holds gives full output up to {worst.limit_c:.0f} °C",
        evidence={
            "peak_c": round(peak, 1),
            "limit_c": worst.limit_c,
            "minutes_over": round(sum(e.over_limit_min or 0.0 for e in spell.shown)),
            "k_per_w": worst.thermal_resistance_k_per_w and round(worst.thermal_resistance_k_per_w, 3),
        },
        causes=rank(RULE, {}, CAUSES),
    )
