"""A light sensor that says, under a clear sky, what no clear sky gives: too much, or by far too little."""

from __future__ import annotations

import statistics

from analysis.causes import CAUSES
from analysis.diagnosis import rank
from analysis.findings import History, Spell, spells
from analysis.results import Finding, LightDay

RULE = "sensor-suspect"
# The clear sky by turbidity climatology is known to about 8 %; common practice, no source.
_MOST, _LEAST, _DEADBAND = 1.13, 0.80, 0.03


def found(history: History) -> list[Finding]:
    """One finding for each spell of each sensor; three clear days raise it, two clear it."""
    findings = []
    for channel in sorted({d.channel for d in history.light_days}):
        days = [d for d in history.light_days if d.channel == channel and d.gain is not None]
        for spell in spells(
            days,
            bad=lambda d: not _LEAST < (d.gain or 1.0) < _MOST,
            well=lambda d: _LEAST + _DEADBAND < (d.gain or 1.0) < _MOST - _DEADBAND,
            to_raise=3,
        ):
            findings.append(_finding(channel, spell, history))
    return findings


def _finding(channel: str, spell: Spell[LightDay], history: History) -> Finding:
    gain = statistics.median(d.gain or 1.0 for d in spell.shown)
    source = next((s.name for s in history.settings.source if any(c.channel == channel for c in s.channel)), channel)
    much = f"{100 * abs(gain - 1):.0f} % too {'much' if gain > 1 else 'little'}"
    return Finding(
        rule=RULE,
        subject=f"source.{source}",
        state="unacknowledged" if spell.returned is None else "returned",
        priority="medium" if gain > 1 else "low",
        since=spell.shown[0].start,
        until=spell.returned.start if spell.returned else None,
        summary=f"{channel} says {much} under a clear sky",
        evidence={
            "channel": channel,
            "gain": round(gain, 3),
            "clear_days": [d.day.isoformat() for d in spell.shown],
            "night_offset_wm2": round(spell.shown[-1].offset_wm2, 1),
        },
        causes=rank(RULE, {}, CAUSES),
    )
