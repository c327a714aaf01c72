"""Owns dips that come at one hour of the sun on several clear days: the shadow of something that stands still."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.findings import spells
from analysis.results import ArrayDay
from analysis.sun import DAY_MS
from analysis.verdicts import DEADBAND, RELATIVE

# A quarter of the light or more, three clear days in a row, within an hour of the sun; common practice, no source.
_DEEP, _ALIKE_MS, _TO_RAISE = 0.75, 3_600_000, 3
# A day tells it where beam makes up so much of its light, worth so many hours at rated power, and where the light is
# known so well: without a heading the hours of a swinging vessel go up and down by themselves; common practice.
_BEAM_SHARE, _LEAST_HOURS, _KNOWN = 0.3, 0.5, 0.85
# Less of the days' light is no notice: a skyline at dawn takes one per cent; common practice, no source.
_WORTH_A_NOTICE = 0.04
# Hours that belong to the dip, of the level outside it.
_LOW = 0.85


@dataclass(frozen=True, slots=True)
class Dips:
    """Dips of several days.

    Attributes
    ----------
    shown : tuple of ArrayDay
    returned : ArrayDay or None
        The first clear day without them.
    first, last : int
        Whole hours from true solar noon in which they lie, both included; the last one ends an hour later.
    lost_wh : float
        On all those days.
    """

    shown: tuple[ArrayDay, ...]
    returned: ArrayDay | None
    first: int
    last: int
    lost_wh: float


def of_days(days: Sequence[ArrayDay]) -> list[Dips]:
    """Spells of dips of one array; `days` without those of which something else is told already."""
    telling = [d for d in days if _tells(d)]
    found: list[Dips] = []
    for kind in ("rise", "fall"):
        deep = [d.features[kind][0] - d.start for d in telling if _is_deep(d, kind)]
        if len(deep) < _TO_RAISE:
            continue
        hour = statistics.median(deep)
        # Between a deep dip and a day without one nothing changes.
        marked = [
            (d, _is_deep(d, kind) and abs(d.features[kind][0] - d.start - hour) <= _ALIKE_MS, kind not in d.features)
            for d in telling
        ]
        for spell in spells(marked, bad=lambda m: m[1], well=lambda m: m[2], to_raise=_TO_RAISE):
            dips = _dips(tuple(m[0] for m in spell.shown), spell.returned[0] if spell.returned else None, kind)
            # A dip in the middle of the day is seen where it falls as well.
            found += [dips] if dips and not any(_same(dips, other) for other in found) else []
    return found


def accounts_for(dips: Dips, short: Sequence[ArrayDay]) -> bool:
    """Whether days of a shortfall are short by their dips alone: outside those hours nothing is amiss."""
    dipping = {d.day for d in dips.shown}
    if not all(d.day in dipping for d in short):
        return False
    outside = [
        pair
        for d in short
        for hour, pair in d.features.get("by_hour", {}).items()
        if not dips.first <= int(hour) <= dips.last
    ]
    got, could = (sum(pair[i] for pair in outside) for i in (0, 1))
    expected, low = (sum(getattr(d, name) or 0.0 for d in short) for name in ("judged_expected_wh", "judged_low_wh"))
    return bool(could > 0 and low > 0 and got / could * expected / low >= 1.0 - DEADBAND)


def _same(one: Dips, other: Dips) -> bool:
    at_once = {d.start for d in one.shown} & {d.start for d in other.shown}
    return bool(at_once) and one.first <= other.last and other.first <= one.last


def _tells(day: ArrayDay) -> bool:
    beam, grey = day.features.get("beam", (0.0, 0.0))[1], day.features.get("grey", (0.0, 0.0))[1]
    known = (day.judged_low_wh or 0.0) >= _KNOWN * (day.judged_expected_wh or 1.0)
    clear = beam >= _BEAM_SHARE * (beam + grey) and beam >= _LEAST_HOURS * day.rated_w
    return clear and known and day.evidence not in RELATIVE


def _is_deep(day: ArrayDay, kind: str) -> bool:
    if kind not in day.features:
        return False
    return bool(day.features[kind][1] < _DEEP * _level(day, kind))


def _level(day: ArrayDay, kind: str) -> float:
    """What a day gave of its light outside the dip: no more than the light is known to allow, or the hours in which a
    low sun gives more than it was reckoned to make a dip of all the others."""
    most = (day.judged_high_wh or 0.0) / (day.judged_expected_wh or 1.0)
    return min(float(day.features[kind][2]), most or 1.0)


def _dips(shown: tuple[ArrayDay, ...], returned: ArrayDay | None, kind: str) -> Dips | None:
    """The hours next to the jump that lie low on these days together."""
    level = statistics.median(_level(d, kind) for d in shown)
    jump = statistics.median((d.features[kind][0] - d.start - DAY_MS / 2) / 3_600_000 for d in shown)
    got: dict[int, float] = {}
    could: dict[int, float] = {}
    for d in shown:
        for hour, (g, c) in d.features.get("by_hour", {}).items():
            got[int(hour)], could[int(hour)] = got.get(int(hour), 0.0) + g, could.get(int(hour), 0.0) + c
    low = {h for h in could if could[h] > 0 and got[h] < _LOW * level * could[h]}
    near = sorted(low, key=lambda h: abs(h + 0.5 - jump))
    if not near:
        return None
    first = last = near[0]
    while first - 1 in low:
        first -= 1
    while last + 1 in low:
        last += 1
    lost = sum(level * could[h] - got[h] for h in range(first, last + 1) if h in could)
    whole = sum(d.judged_expected_wh or 0.0 for d in shown)
    return Dips(shown, returned, first, last, lost) if lost >= _WORTH_A_NOTICE * whole else None


def in_words(first: int, last: int) -> str:
    """Hours from noon as a person says them; `last` ends an hour later."""
    begin, end = first, last + 1
    if begin < 0 < end:
        return f"from {_hours(-begin)} before noon to {_hours(end)} after it"
    side, near, far = ("before", -end, -begin) if end <= 0 else ("after", begin, end)
    if near == 0:
        return f"in the hour {side} noon" if far == 1 else f"in the {far} hours {side} noon"
    one, other = (far, near) if side == "before" else (near, far)
    return f"from {one} to {_hours(other)} {side} noon"


def _hours(n: int) -> str:
    return "1 hour" if n == 1 else f"{n} hours"
