"""The light's own noon is not the sun's: the clock is wrong, or she does not lie where the settings say."""

from __future__ import annotations

import statistics

from analysis.causes import CAUSES
from analysis.diagnosis import rank
from analysis.findings import History, Spell, spells
from analysis.results import (
    Finding,
)
from analysis.results_light import LightDay

RULE = "clock-suspect"
# Haze that comes up through the day moves the light's noon by some minutes; common practice, no source.
_RAISE_S, _CLEAR_S = 15 * 60.0, 8 * 60.0
_SIGMAS = 3.0


def found(history: History) -> list[Finding]:
    """One finding for each spell; two such days in a row raise it."""
    told = [d for d in history.light_days if d.noon_shift_s is not None]
    # Several sensors are one witness of a day: the one that knows its noon best speaks.
    best = {d.day: d for d in sorted(told, key=lambda d: d.noon_sigma_s or 0.0, reverse=True)}
    days = [best[day] for day in sorted(best)]
    return [
        _finding(spell)
        for spell in spells(
            days,
            bad=lambda d: abs(d.noon_shift_s or 0.0) - _SIGMAS * (d.noon_sigma_s or 0.0) > _RAISE_S,
            well=lambda d: abs(d.noon_shift_s or 0.0) < _CLEAR_S,
        )
    ]


def _finding(spell: Spell[LightDay]) -> Finding:
    shift = statistics.median(d.noon_shift_s or 0.0 for d in spell.shown)
    minutes = f"{abs(shift) / 60:.0f} minutes {'after' if shift > 0 else 'before'}"
    return Finding(
        rule=RULE,
        subject="clock",
        state="unacknowledged" if spell.returned is None else "returned",
        priority="medium",
        since=spell.shown[0].start,
        until=spell.returned.start if spell.returned else None,
        summary=f"the light's noon comes {minutes} the sun's",
        evidence={
            "noon_shift_min": round(shift / 60, 1),
            "as_longitude_degrees": round(-shift / 240, 2),
            "clear_days": [d.day.isoformat() for d in spell.shown],
        },
        causes=rank(RULE, {}, CAUSES),
    )
