"""Owns the words of trends: how an array holds up from week to week, and which of two is the weak side."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from analysis.results import Finding
from dashboard.wording import CAUSES, subject, word
from dashboard.writing import LocalTime, capital, count, hours, percent, quantity, sentence, span

GREY_NOTE = (
    "Under overcast both see the same light, whichever way she lies, so a cloudy week is the best one to tell which "
    "side is weak. In brackets: where the truth lies in 19 cases of 20."
)
# Said once, under the figures.
CLEAR_NOTE = (
    "Each ring is a clear day: what the array gave of what the light allowed while nothing held it back. The line is "
    "the slope between steps, the shade where it may lie in 19 cases of 20."
)


_MOST_STEPS = 6


def trend(name: str, entry: Mapping[str, Any], when: LocalTime) -> str:
    """How one array holds up; `entry` is its ``trend`` of an assessment's JSON."""
    array = subject("array." + name)
    low, high = entry["slope_low_percent_per_day"], entry["slope_high_percent_per_day"]
    if entry["slope_percent_per_day"] is None or entry["verdict"] == "cannot tell":
        seen = f"{count(entry['clear_days'], 'clear day')} so far"
        return f"Cannot tell yet how the {array} holds up: {seen}. More, over two weeks and longer, would settle it."
    if entry["verdict"] == "steady":
        most = quantity(max(abs(low), abs(high)), "%", 2)
        between = "between steps " if entry["steps"] else ""
        return f"On clear days the {array} holds its level {between}and changes by {most} a day at most."
    if entry["verdict"] == "rising":
        return (
            f"On clear days the {array} gives more from day to day, {_per_day(low, high)}: no array does that; look at "
            "what it is measured by, and at its tilt in the settings: a plane drawn wrong has a season of its own."
        )
    since = entry["steps"][-1]["date"] if entry["steps"] else entry["from"]
    lost = percent(entry["soiled_percent"] / 100.0)
    return (
        f"On clear days the {array} gives less from day to day, {_per_day(-high, -low)}: {lost} since "
        f"{when.date(dt.date.fromisoformat(since))}. Dirt does that, and a wash shows whether it was dirt."
    )


def without(entry: Mapping[str, Any]) -> list[str]:
    """What the trend leaves out because something else explains it, a sentence each."""
    said = []
    for one in entry.get("without", ()):
        if one["cause"] is None:
            took = quantity(one["percent"], "%", 1)
            said.append(
                f"Not counted as dirt: what the {subject(one['subject'])} takes beyond its copper, {took} on the last "
                "clear day."
            )
        else:
            number = f"notice No. {one['finding']}" if one["finding"] is not None else "a notice"
            said.append(
                f"{capital(count(one['clear_days'], 'day'))} {'is' if one['clear_days'] == 1 else 'are'} left out: "
                f"{number} explains {'it' if one['clear_days'] == 1 else 'them'}, {word(CAUSES, one['cause'])} most "
                "likely."
            )
    return said


def clear_caption(name: str) -> str:
    """What the figure of an array's clear days shows."""
    return f"Clear days of the {subject('array.' + name)}."


def grey_caption(one: str, other: str) -> str:
    """What the figure of two arrays under grey skies shows."""
    return (
        f"The {subject('array.' + one)} against the {subject('array.' + other)}: at each grey day what the seven days "
        "up to it came to. Inside the shade there is no difference."
    )


def _per_day(low: float, high: float) -> str:
    return f"{span(low, high, 2)}\u00a0%"


def steps(entry: Mapping[str, Any], when: LocalTime) -> list[str]:
    """One line for each of the last steps between clear days, with the logbook's words where it explains it."""
    said = []
    for step in entry["steps"][-_MOST_STEPS:]:
        way = "up" if step["rise_percent"] > 0 else "down"
        why = (
            f"the logbook says: {step['explained_by']}"
            if step["explained_by"]
            else "nothing in the logbook explains it"
        )
        size = quantity(abs(step["rise_percent"]), "%")
        said.append(sentence(f"{when.date(dt.date.fromisoformat(step['date']))}: {way} {size}; {why}"))
    return said


def twins(entry: Mapping[str, Any]) -> str:
    """Two arrays under the grey skies of a span; `entry` is one of the ``twins`` of an assessment's JSON."""
    one, other = (subject("array." + entry[key]) for key in ("array", "other"))
    if entry["ratio"] is None:
        return (
            f"Cannot tell the {one} from the {other} under grey skies: {hours(entry['grey_minutes'])} of grey light in "
            f"{count(entry['grey_days'], 'day')} {'is' if entry['grey_days'] == 1 else 'are'} too little."
        )
    ratio = f"{percent(entry['ratio'])} ({span(100 * entry['ratio_low'], 100 * entry['ratio_high'])})"
    end = f": the {subject('array.' + entry['weak'])} is the weak side" if entry["weak"] else ", which is no difference"
    days = count(entry["grey_days"], "grey day")
    return f"{capital(f'on {days} the {one}')} got {ratio} of what the {other} got for its size{end}."


def of_its_twin(finding: Finding) -> str:
    """What an array got beside the other one, of a shortfall that the grey skies showed."""
    other = subject(str(finding.evidence["grey_against"]))
    return f"{percent(finding.evidence['grey_ratio'])} of what the {other} got for its size under grey skies"
