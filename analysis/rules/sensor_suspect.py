"""A light sensor that says, under a clear sky, what no clear sky gives, or no longer what it said of the first ones."""

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
        beyond = spells(
            days,
            bad=lambda d: not _LEAST < (d.gain or 1.0) < _MOST,
            well=lambda d: _LEAST + _DEADBAND < (d.gain or 1.0) < _MOST - _DEADBAND,
            to_raise=3,
        )
        findings += [_finding(channel, spell, history) for spell in beyond]
        drifted = spells(days, bad=lambda d: d.drift != 1.0, well=lambda d: d.drift == 1.0, to_raise=3)
        told = {d.day for spell in beyond for d in spell.shown}
        findings += [
            _drift(channel, spell, history) for spell in drifted if told.isdisjoint(d.day for d in spell.shown)
        ]
    return findings


def _source(channel: str, history: History) -> str:
    return next((s.name for s in history.settings.source if any(c.channel == channel for c in s.channel)), channel)


def _drift(channel: str, spell: Spell[LightDay], history: History) -> Finding:
    last = spell.shown[-1]
    way = "fallen" if last.drift < 1.0 else "risen"
    return Finding(
        rule=RULE,
        subject=f"source.{_source(channel, history)}",
        state="unacknowledged" if spell.returned is None else "returned",
        priority="low",
        since=spell.shown[0].start,
        until=spell.returned.start if spell.returned else None,
        summary=f"{channel} has {way} by {100 * abs(last.drift - 1):.0f} % since its first clear days; taken out",
        evidence={
            "channel": channel,
            "drift": round(last.drift, 3),
            "clear_days": [d.day.isoformat() for d in spell.shown],
            "night_offset_wm2": round(last.offset_wm2, 1),
        },
        causes=rank(RULE, {}, CAUSES),
    )


def _finding(channel: str, spell: Spell[LightDay], history: History) -> Finding:
    gain = statistics.median(d.gain or 1.0 for d in spell.shown)
    much = f"{100 * abs(gain - 1):.0f} % too {'much' if gain > 1 else 'little'}"
    return Finding(
        rule=RULE,
        subject=f"source.{_source(channel, history)}",
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
