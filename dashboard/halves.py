"""Owns the words of two alike arrays in the same moment: how often their volts lay apart, and which half is low."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from dashboard.wording import subject
from dashboard.writing import UNKNOWN, LocalTime, capital, count, hours, number, percent

NOTE = (
    "Alike modules in one plane show the same volts and the same current within 5 %: light and warmth are the same for "
    "both. Low volts at the same current are part of a module asleep, something that lies on it, or a controller off "
    "its best point; low current at the same volts is a string open, dirt or shade."
)
# Of each day.
HEAD = ("", "bright", "5 %", "10 %", "lit", "under 0.45", "A per kW/m²")
COLUMNS = (
    "By day: intervals with light over 200 W/m² (bright), those of them with volts apart by more than 5 and 10 %; with "
    "light over 100 W/m² (lit), those of them with volts under 0.45 of the other half's; amps where the volts agree."
)
_KNOWN_BY = {"plane": "a sensor in the plane", "horizontal": "a sensor that faces up", "lux": "a lux sensor"}
# Of what the other half gave, what volts apart must have cost to be worth a line; common practice, no source.
_WORTH = 0.05
# A current is as large from here on: alike strings agree within 5 % (IEC 62446-1, as cited).
_AS_LARGE = 0.95


def matters(pair: Mapping[str, Any]) -> bool:
    """Whether volts apart took a share worth a line, while nothing held the two halves back; `pair` is one of the
    ``alike`` of an assessment's JSON."""
    return bool(pair["low"]) and abs(pair["by_volts_wh"]) > _WORTH * pair["other_wh"]


def line(pair: Mapping[str, Any]) -> str:
    """The two halves over a span, in a sentence or two."""
    if not pair["bright"]:
        return f"{_names(pair)}: no light over 200 W/m² in which the two halves could be compared."
    often = (
        f"volts apart by more than 5 % in {_of(pair, 'apart_5', 'bright')} with light over 200 W/m², "
        f"by more than 10 % in {number(pair['apart_10'])}"
    )
    return f"{_names(pair)}, the two halves in the same moment: {often}.{_low(pair)}"


def counted(pair: Mapping[str, Any]) -> list[str]:
    """The same in full: the light that it was compared in, and the halves that have gone."""
    said = [line(pair)]
    if pair["lit"]:
        far, known_by = _of(pair, "far", "lit"), _KNOWN_BY.get(pair["light"], f"the {pair['light']}")
        said.append(f"Volts under 0.45 of the other half's in {far} with light over 100 W/m², by {known_by}.")
    return said


def days(pair: Mapping[str, Any], when: LocalTime) -> list[tuple[str, ...]]:
    """Each day's intervals under `HEAD`, date first; the last column tells the current of both for each kW/m²."""
    return [_day(day, when) for day in pair["days"]]


def _day(day: Mapping[str, Any], when: LocalTime) -> tuple[str, ...]:
    counts = (number(day[key]) for key in ("bright", "apart_5", "apart_10", "lit", "far"))
    amps = [number(k, 2) for key in ("one_a_per_kw", "other_a_per_kw") if (k := day[key]) is not None]
    told = " and ".join(amps) if len(amps) == 2 else UNKNOWN
    return when.date(dt.date.fromisoformat(day["date"])), *counts, told


def _names(pair: Mapping[str, Any]) -> str:
    return f"{capital(subject('array.' + pair['one']))} and {subject('array.' + pair['other'])}"


def _of(pair: Mapping[str, Any], part: str, whole: str) -> str:
    intervals = count(pair[whole], "interval")
    return f"{number(pair[part])} of {intervals} ({hours(pair['minutes'][part])} of {hours(pair['minutes'][whole])})"


def _low(pair: Mapping[str, Any]) -> str:
    """Which half is low, and whether by its volts alone."""
    if not pair["low"] or pair["low_volts_ratio"] is None:
        return ""
    name, volts = subject("array." + pair["low"]), percent(pair["low_volts_ratio"])
    said = f" The {name} is mostly the low half: {volts} of the other's volts"
    amps = pair["low_amps_ratio"]
    if amps is None:
        return said + "."
    alone = "; what it lost, it lost in volts alone" if amps >= _AS_LARGE else ""
    return f"{said} and {percent(amps)} of its current at those times{alone}."
