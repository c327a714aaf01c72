"""A run of cable has more resistance than its copper can explain, even hot."""

from __future__ import annotations

from analysis.causes import CAUSES
from analysis.conductors import temperature_factor
from analysis.diagnosis import rank
from analysis.findings import History, Spell, between_changes, spells
from analysis.results import Finding, LoopEstimate

RULE = "loop-resistance"
# Copper on deck in the sun [°C], and what sound joints may add; common practice, no source.
_HOT_C = 70.0
_JOINTS_OHM = 0.010
_CLEAR_OHM = 0.005
# Heat in one joint that can start a fire [W]; common practice, no source.
FIRE_W = 3.0


def most_allowed(design_ohm: float) -> float:
    """The most that a sound run may show [Ω]: its copper at 70 °C, a quarter for the drawing, and sound joints."""
    return 1.15 * design_ohm * temperature_factor(_HOT_C) + _JOINTS_OHM


def found(history: History) -> list[Finding]:
    """One finding for each spell of each run."""
    findings = []
    for cable in sorted({e.cable for e in history.loops}):
        estimates = [e for e in history.loops if e.cable == cable and e.ohm is not None]
        for stretch, changed in between_changes(estimates, history.changes.get(f"cable.{cable}", ())):
            for spell in spells(
                stretch,
                bad=lambda e: (e.ohm_low or 0.0) > most_allowed(e.design_ohm),
                well=lambda e: (e.ohm or 0.0) < most_allowed(e.design_ohm) - _CLEAR_OHM,
                at_once=lambda e: (e.ohm_low or 0.0) > 2.0 * most_allowed(e.design_ohm),
            ):
                findings.append(_finding(cable, spell, changed))
    return findings


def _finding(cable: str, spell: Spell[LoopEstimate], changed: int | None) -> Finding:
    until = spell.returned.start if spell.returned else changed
    first, last = spell.shown[0], spell.shown[-1]
    ohm, start_ohm = last.ohm or 0.0, first.ohm or 0.0
    extra = ohm - last.design_ohm
    watts = extra * (last.current_a or 0.0) ** 2
    features = {"intercept": abs(last.intercept_v or 0.0)}
    if len(spell.shown) >= 3 and start_ohm:
        features["growth"] = (ohm - start_ohm) / start_ohm
    return Finding(
        rule=RULE,
        subject=f"cable.{cable}",
        state="unacknowledged" if until is None else "returned",
        priority="high" if watts >= FIRE_W else "medium",
        since=first.start,
        until=until,
        summary=f"{cable}: {1000 * ohm:.0f} mΩ where its copper explains {1000 * last.design_ohm:.0f} mΩ",
        evidence={
            "ohm": round(ohm, 4),
            "ohm_low": round(last.ohm_low or 0.0, 4),
            "ohm_high": round(last.ohm_high or 0.0, 4),
            "design_ohm": round(last.design_ohm, 4),
            "extra_ohm": round(extra, 4),
            "first_ohm": round(start_ohm, 4),
            "watts_at_full_current": round(watts, 1),
            "drop_percent": None if last.drop_percent is None else round(last.drop_percent, 2),
            "intercept_v": None if last.intercept_v is None else round(last.intercept_v, 3),
            "estimates": len(spell.shown),
        },
        causes=rank(RULE, features, CAUSES),
    )
