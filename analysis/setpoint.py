"""Owns what tells that a thermostat's fan no longer holds its box, where nobody hears the fan: the box runs past the
warmth at which it used to be held.

Kelvins per watt of single days tell nothing of such a fan: on a cool day it hardly runs, and the box
seems hard to cool.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.findings import History, Spell, between_changes, spells
from analysis.results import EnclosureEstimate
from analysis.results_boxes import TOLD, BoxSpell

# So far past its usual peak while held raises, and so far without delay; so near to it clears; its ceiling was reached
# within the last [K]; common practice, no source.
_RAISE_K, _AT_ONCE_K, _CLEAR_K, _REACHED_K = 3.0, 8.0, 1.5, 3.0


@dataclass(frozen=True, slots=True)
class Past:
    """Days on which a box ran past its ceiling.

    Attributes
    ----------
    spell : Spell of EnclosureEstimate
    ended : int or None
        The change of fan or box that ended it, UTC [ms].
    ceiling_c : float
        Where it was held before.
    peak_c : float
        How warm it gets now, the middle of the last days.
    features : dict
        What the causes weigh.
    """

    spell: Spell[EnclosureEstimate]
    ended: int | None
    ceiling_c: float
    peak_c: float
    features: dict[str, float]


def is_held(history: History, box: str) -> bool:
    """Whether a ceiling was ever told of a box: then its days are judged by it."""
    return any(s.enclosure == box and s.ceiling_c is not None for s in history.box_spells)


def past(history: History, box: str, changes: Sequence[int]) -> list[Past]:
    """Each spell of days in which a box ran past the warmth at which it was held first.

    Parameters
    ----------
    history : History
    box : str
    changes : sequence of int
        Of the box and its fan, UTC [ms], ascending: each begins anew.
    """
    days = [e for e in history.enclosures if e.enclosure == box and e.peak_c is not None]
    once = list({e.start: e for e in days}.values())
    found = []
    own = [s for s in history.box_spells if s.enclosure == box]
    for (stretch, ended), (fitted, _) in zip(
        between_changes(once, changes), between_changes(own, changes), strict=True
    ):
        first = next((s for s in fitted if s.ceiling_c is not None), None)
        if first is not None:
            found += _past(first, fitted, stretch, ended)
    return found


def _past(
    first: BoxSpell, fitted: Sequence[BoxSpell], days: Sequence[EnclosureEstimate], ended: int | None
) -> list[Past]:
    ceiling = first.ceiling_c or 0.0
    reached = [e for e in days if e.start >= first.start and (e.peak_c or 0.0) >= ceiling - _REACHED_K]
    # A fan that cuts in late and out late lets it swing about its ceiling.
    swings = [e.peak_c or 0.0 for e in reached if e.start < first.stop]
    usual = max(first.ceiling_high_c or ceiling, statistics.median(swings or [ceiling]))

    def beyond(e: EnclosureEstimate) -> float:
        return (e.peak_c or 0.0) - usual - _warmer(first, e)

    told = spells(
        reached,
        bad=lambda e: beyond(e) > _RAISE_K,
        well=lambda e: beyond(e) <= _CLEAR_K,
        at_once=lambda e: beyond(e) > _AT_ONCE_K,
    )
    found = []
    for spell in told:
        now = statistics.median(e.peak_c or 0.0 for e in spell.shown[-3:])
        begin = spell.shown[0]
        before = [(e.peak_c or 0.0) - ceiling for e in reached if e.start < begin.start]
        step = (begin.peak_c or 0.0) - ceiling - max(before[-1] if before else 0.0, 0.0)
        features = {"jump": min(max(step / max(now - ceiling, 0.5), 0.0), 1.5)}
        since = [s for s in fitted if s.start >= begin.start and s.told == TOLD]
        if since:
            features["ceiling_kept"] = 1.0 if since[-1].ceiling_c is not None else 0.0
        found.append(Past(spell, ended, ceiling, now, features))
    return found


def _warmer(first: BoxSpell, day: EnclosureEstimate) -> float:
    """By how much the air is warmer than it was while held [K]: no fan cools below the air."""
    if first.warmest_air_c is None or day.peak_air_c is None:
        return 0.0
    return max(day.peak_air_c - first.warmest_air_c, 0.0)
