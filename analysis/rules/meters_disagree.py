"""A controller's own day counter and its volts and amps do not come to the same energy."""

from __future__ import annotations

import statistics

from analysis.counted import CounterDay
from analysis.findings import History, Spell, spells
from analysis.results import Finding

RULE = "meters-disagree"
# Counters round, some to 100 Wh, and count at the input or at the output; common practice, no source.
_SHARE, _WELL_SHARE = 0.15, 0.10
_ROUNDING_WH, _WELL_ROUNDING_WH = 100.0, 75.0


def found(history: History) -> list[Finding]:
    """One finding for each spell of each controller; three days raise it, two clear it."""
    findings = []
    for controller in sorted({d.controller for d in history.counters}):
        days = [d for d in history.counters if d.controller == controller]
        for spell in spells(
            days,
            bad=lambda d: _apart(d) > _SHARE * d.measured_wh + _ROUNDING_WH,
            well=lambda d: _apart(d) < _WELL_SHARE * d.measured_wh + _WELL_ROUNDING_WH,
            to_raise=3,
        ):
            findings.append(_finding(controller, spell))
    return findings


def _apart(day: CounterDay) -> float:
    return abs(day.counted_wh - day.measured_wh)


def _finding(controller: str, spell: Spell[CounterDay]) -> Finding:
    counted, measured = (sum(getattr(d, what) for d in spell.shown) for what in ("counted_wh", "measured_wh"))
    more = counted > measured
    summary = (
        f"over {len(spell.shown)} days its own counter says {counted:.0f} Wh, its volts and amps {measured:.0f} Wh: "
        f"{'more' if more else 'less'} was counted than measured; compare its amps with a clamp meter"
    )
    return Finding(
        rule=RULE,
        subject=f"controller.{controller}",
        state="unacknowledged" if spell.returned is None else "returned",
        priority="low",
        since=spell.shown[0].start,
        until=spell.returned.start if spell.returned else None,
        summary=summary,
        evidence={
            "counted_wh": round(counted, 1),
            "measured_wh": round(measured, 1),
            "ratio": round(statistics.median(d.counted_wh / d.measured_wh for d in spell.shown if d.measured_wh), 3)
            if measured
            else None,
        },
        causes=(),
    )
