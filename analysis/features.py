"""Owns what the causes of a shortfall look at: how its loss lies over hours, light, strings, arrays and weeks."""

from __future__ import annotations

import datetime as dt
import statistics
from collections.abc import Sequence
from typing import Any

from analysis import alike, trends
from analysis.explained import without_cables
from analysis.findings import History
from analysis.results import ArrayDay
from analysis.sun import DAY_MS
from logger.settings import Array

# So long after a shortfall a wash still explains its end; common practice, no source.
_AFTERWARDS_MS = 14 * DAY_MS
# All came back: so much of the level of the first sound day, for the hours of a day differ; common practice, no source.
_WHOLE = 0.85
# A shadow passes at one hour of the sun, within so much; common practice, no source.
_ALIKE_MS = 3_600_000
# So long after a day under a cover what is missing may still be its rest; common practice, no source.
_SNOW_LIES_MS = 4 * DAY_MS


def of_shortfall(
    history: History,
    array: Array | None,
    days: Sequence[ArrayDay],
    shown: Sequence[ArrayDay],
    returned: ArrayDay | None = None,
) -> dict[str, float]:
    """What is known of a shortfall: how its loss lies over hours, light and time, and beside what else was measured.

    Parameters
    ----------
    array : Array or None
        As it stood; None where the settings know it no longer.
    days : sequence of ArrayDay
        Of this array since it last changed.
    shown : sequence of ArrayDay
        Those of them that showed the shortfall.
    returned : ArrayDay or None
        The first sound day after it, where it is over.
    """
    name = shown[0].array
    got, could = _sums(d.features[key] for d in shown for key in ("heavy", "light") if d.features)
    lost = 1.0 - got / could if could else 1.0
    features: dict[str, float] = {"lost_fraction": lost, "covered": _under_snow(days, shown)}
    hours: dict[str, list[list[float]]] = {}
    for d in shown:
        for hour, pair in d.features.get("by_hour", {}).items():
            hours.setdefault(hour, []).append(pair)
    by_hour = [_lost(pairs) for pairs in hours.values()]
    weighty = [loss for loss, could_wh in by_hour if could_wh > 0.03 * could]
    if lost > 0 and len(weighty) >= 3:
        features["evenness"] = statistics.median(weighty) / lost
        features["hours_spread"] = min(statistics.pstdev(weighty) / lost, 1.5)
    for feature, one, other in (("beam_minus_grey", "beam", "grey"), ("heavy_minus_light", "heavy", "light")):
        (a, a_wh), (b, b_wh) = (_lost([d.features[key] for d in shown if d.features]) for key in (one, other))
        if lost > 0 and min(a_wh, b_wh) > 0.05 * could:
            features[feature] = (a - b) / lost
    dates = {d.day for d in shown}
    sisters = [
        s.judged_ratio for s in history.array_days if s.array != name and s.judged_ratio is not None and s.day in dates
    ]
    if sisters and lost > 0:
        features["sister_loss"] = max(1.0 - statistics.median(sisters), 0.0) / lost
    before = [d.judged_ratio for d in days if d.start < shown[0].start and d.judged_ratio is not None][-3:]
    first = shown[0].judged_ratio
    if len(before) >= 2 and first is not None and lost > 0:
        level = statistics.median(before)
        features["suddenness"] = min(max((level - first) / max(level - (1.0 - lost), 0.02), 0.0), 1.5)
    if lost > 0:
        reach = shown[0].start - trends.REACH_DAYS * DAY_MS
        near = [d for d in days if reach <= d.start <= shown[-1].start + _AFTERWARDS_MS]
        features |= _beside(history, name, dates)
        features |= _dirt(history, name, near, shown[-1].start, lost) | _ice(days, shown, returned, lost)
        features |= _recurring(shown)
    return features | steps_of_loss(array, lost) | cable_share(history, array, lost)


def _under_snow(days: Sequence[ArrayDay], shown: Sequence[ArrayDay]) -> float:
    """Share of the loss on days that follow close on one under a cover: snow slides off in parts."""
    covers = [d.start for d in days if d.verdict == "covered"]
    losses = [(d.start, (d.judged_expected_wh or 0.0) - (d.judged_measured_wh or 0.0)) for d in shown]
    whole = sum(loss for _, loss in losses)
    if whole <= 0:
        return 0.0
    return sum(loss for start, loss in losses if any(0 < start - c <= _SNOW_LIES_MS for c in covers)) / whole


def _beside(history: History, name: str, dates: set[dt.date]) -> dict[str, float]:
    """How the loss parts into volts and amps, where an alike array shows what both should be."""
    told = alike.beside([d for d in history.alike_days if d.day in dates], name)
    return {"by_volts": told.share} if told else {}


def _dirt(history: History, name: str, days: Sequence[ArrayDay], last: int, lost: float) -> dict[str, float]:
    """What the array's trend says of dirt: the share of the loss that crept in, and whether a wash brought it back.

    The days are those of a season before the loss, and some after its last day.
    """
    found = {}
    days, _ = without_cables(days, history.settings, history.loops)
    until = trends.of_array(name, [d for d in days if d.start <= last], history.notes)
    if until.soiled is not None and until.verdict != "cannot tell":
        found["creep"] = min(max(until.soiled / lost, 0.0), 1.5)
    cleanings = [note for note in history.notes if trends.tells_cleaning(note, name)]
    after = trends.of_array(name, days, cleanings).steps if cleanings else ()
    washed = [step.rise for step in after if step.note is not None]
    if washed:
        found["washed"] = min(max(washed[-1] / lost, 0.0), 1.5)
    return found


def _ice(
    days: Sequence[ArrayDay], shown: Sequence[ArrayDay], returned: ArrayDay | None, lost: float
) -> dict[str, float]:
    """What frost has to do with it: on which of the days it froze, and whether all came back within an hour of light.

    A rise at some hour of every day is a shadow's that passes, and nothing that slid off.
    """
    found = {}
    froze = [d.features["froze"] for d in shown if "froze" in d.features]
    if froze:
        found["frozen"] = statistics.mean(froze)
    if returned is None:
        return found
    rises = [d.features["rise"] for d in days if shown[-1].start <= d.start <= returned.start and "rise" in d.features]
    level = returned.judged_ratio
    if rises and level:
        _, before, after = max(rises, key=lambda rise: rise[2] - rise[1])
        earlier = [d.features["rise"] for d in shown[:-1] if "rise" in d.features]
        often = sum(rise[2] - rise[1] > (after - before) / 2 for rise in earlier) > len(shown[:-1]) / 3
        whole = after > _WHOLE * level and not often
        found["slid"] = min((after - before) / max(level - (1.0 - lost), 0.02), 1.5) if whole else 0.0
    return found


def _recurring(shown: Sequence[ArrayDay]) -> dict[str, float]:
    """On how many of the days the power went or came back at one hour of the sun; nothing where it did on one day."""
    if len(shown) < 2:
        return {}
    alike = 0
    for kind in ("rise", "fall"):
        jumps = [d.features[kind][0] - d.start for d in shown if kind in d.features]
        alike = max([alike, *(sum(abs(one - other) <= _ALIKE_MS for other in jumps) for one in jumps)])
    return {"recurs": (alike - 1) / (len(shown) - 1)} if alike > 1 else {}


def steps_of_loss(array: Array | None, lost: float) -> dict[str, float]:
    if array is None:
        return {}
    found = {}
    if array.strings_in_parallel > 1:
        found["string_share"] = lost - 1.0 / array.strings_in_parallel
    if array.module.substrings:
        one = 1.0 / (array.module.substrings * array.modules_in_series * array.strings_in_parallel)
        found["substring_share"] = lost - max(round(lost / one), 1) * one
    return found


def cable_share(history: History, array: Array | None, lost: float) -> dict[str, float]:
    if array is None or lost <= 0:
        return {}
    cable = next((c.name for c in history.settings.cable if c.carries == f"array.{array.name}"), None)
    drops = [e.drop_percent for e in history.loops if e.cable == cable and e.drop_percent is not None]
    return {"cable_share": min(drops[-1] / 100.0 / lost, 1.5)} if drops else {}


def _sums(pairs: Any) -> tuple[float, float]:
    got = could = 0.0
    for pair in pairs:
        got += pair[0]
        could += pair[1]
    return got, could


def _lost(pairs: Sequence[Sequence[float]]) -> tuple[float, float]:
    got, could = _sums(pairs)
    return (1.0 - got / could if could else 0.0), could
