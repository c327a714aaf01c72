"""An array's plane faces otherwise than it is drawn, by the light that falls into it over several sunny days."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.causes import CAUSES
from analysis.diagnosis import rank
from analysis.facing import Facing, together
from analysis.findings import History, Spell, between_changes, spells
from analysis.results import (
    Finding,
)
from analysis.results_light import FacingDay
from analysis.sun import DAY_MS

RULE = "facing-suspect"
# So many sunny days speak together, the last of so many, none older than so long; common practice, no source.
_LEAST_DAYS, _MOST_DAYS, _OLDEST_MS = 3, 8, 60 * DAY_MS
# Raised and cleared: angle between the planes [degrees], and how many standard uncertainties it is. On measured roofs
# the two are up to 10 degrees apart for reasons that lie in the models and the stamps; common practice, no source.
_RAISE_DEG, _CLEAR_DEG = 12.0, 8.0
_RAISE_SIGMAS, _CLEAR_SIGMAS = 4.0, 3.0
# Shade and a wrong gain make a plane seem turned, and never give light that the drawn one could not have.
_EXCESS = 0.08


@dataclass(frozen=True, slots=True)
class _Seen:
    """What the last sunny days together say."""

    start: int
    days: tuple[FacingDay, ...]
    facing: Facing
    angle: float
    sigmas: float

    @property
    def is_bad(self) -> bool:
        excess = statistics.median(d.excess for d in self.days)
        return self.angle > _RAISE_DEG and self.sigmas > _RAISE_SIGMAS and excess > _EXCESS

    @property
    def is_well(self) -> bool:
        return self.angle < _CLEAR_DEG or self.sigmas < _CLEAR_SIGMAS


def found(history: History) -> list[Finding]:
    """One finding for each spell of each array; three sunny days raise it."""
    findings = []
    for name in sorted({d.array for d in history.facing_days}):
        days = [d for d in history.facing_days if d.array == name]
        for stretch, changed in between_changes(days, history.changes.get(f"array.{name}", ())):
            seen = [s for s in (_seen(stretch[: i + 1]) for i in range(len(stretch))) if s is not None]
            for spell in spells(seen, bad=lambda s: s.is_bad, well=lambda s: s.is_well, to_raise=1, to_clear=1):
                findings.append(_finding(name, spell, changed))
    return findings


def _seen(days: Sequence[FacingDay]) -> _Seen | None:
    last = days[-1]
    recent = [d for d in days[-_MOST_DAYS:] if last.start - d.start < _OLDEST_MS and d.evidence == last.evidence]
    if len(recent) < _LEAST_DAYS:
        return None
    facing = together(recent)
    return _Seen(last.start, tuple(recent), facing, *facing.away_from(last.drawn_tilt, last.drawn_azimuth))


def _finding(array: str, spell: Spell[_Seen], changed: int | None) -> Finding:
    last = spell.shown[-1]
    first, facing, drawn = spell.shown[0].days[0], last.facing, last.days[-1]
    over = spell.returned.start if spell.returned else changed
    return Finding(
        rule=RULE,
        subject=f"array.{array}",
        state="unacknowledged" if over is None else "returned",
        priority="low",
        since=first.start,
        until=over,
        summary=f"by {'its light' if drawn.evidence == 'plane' else 'its power'} it lies tilted {facing.tilt:.0f}° "
        f"towards {facing.azimuth:.0f}°, drawn {drawn.drawn_tilt:.0f}° towards {drawn.drawn_azimuth:.0f}°: "
        f"{last.angle:.0f}° apart",
        evidence={
            **facing.as_evidence(),
            "drawn_tilt": drawn.drawn_tilt,
            "drawn_azimuth": drawn.drawn_azimuth,
            "angle_degrees": round(last.angle, 1),
            "found_by": drawn.evidence,
            "sunny_days": [d.day.isoformat() for d in last.days],
        },
        causes=rank(RULE, {}, CAUSES),
    )
