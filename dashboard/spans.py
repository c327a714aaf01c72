"""Owns what a span of days came to for one array: sums of results, from the store or from an assessment's JSON."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from analysis.results import ArrayDay, Cause, Finding, ratio
from analysis.verdicts import over


@dataclass(frozen=True, slots=True)
class ArraySpan:
    """One array over a span of solar days. Energies [Wh], None where unknown.

    Attributes
    ----------
    name : str
        As the settings name it.
    measured_wh, expected_wh : float or None
        Over the same intervals, whatever the state.
    ratio, low, high : float or None
        Measured over expected in unhindered intervals alone, and its 95 % interval.
    curtailed_wh, covered_wh : float or None
        What was not given while limited or held back, and while covered.
    completeness : float or None
        Known over total daylight time.
    verdict : str or None
        Of the whole span, where it was given.
    light : dict of date to float
        Each day's expected energy [Wh].
    covered_days : int
        Days with that verdict.
    silent : float or None
        Share of the daylight in which the array was not heard.
    """

    name: str
    measured_wh: float | None
    expected_wh: float | None
    ratio: float | None
    low: float | None
    high: float | None
    curtailed_wh: float | None
    covered_wh: float | None
    completeness: float | None
    verdict: str | None
    light: dict[dt.date, float] = field(default_factory=dict)
    covered_days: int = 0
    silent: float | None = None


def total(values: Iterable[float | None]) -> float | None:
    """Sum of what is known; None where nothing is."""
    known = [value for value in values if value is not None]
    return sum(known) if known else None


def from_days(days: Sequence[ArrayDay]) -> list[ArraySpan]:
    """One value an array, in the order in which the arrays first appear."""
    by_array: dict[str, list[ArrayDay]] = {}
    for day in days:
        by_array.setdefault(day.array, []).append(day)
    return [_of_one(name, of_array) for name, of_array in by_array.items()]


def _of_one(name: str, days: list[ArrayDay]) -> ArraySpan:
    return _span(
        name,
        over(days),
        {d.day: d.expected_wh for d in days if d.expected_wh is not None},
        [d.verdict for d in days],
        [d.states for d in days],
    )


def _span(
    name: str,
    figures: Mapping[str, Any],
    light: dict[dt.date, float],
    day_verdicts: Sequence[str],
    states: Sequence[Mapping[str, float]],
) -> ArraySpan:
    return ArraySpan(
        name=name,
        measured_wh=figures["measured_wh"],
        expected_wh=figures["expected_wh"],
        ratio=figures["judged_ratio"],
        low=figures["judged_ratio_low"],
        high=figures["judged_ratio_high"],
        curtailed_wh=figures["curtailed_wh"],
        covered_wh=figures["covered_wh"],
        completeness=figures["completeness"],
        verdict=figures["verdict"],
        light=light,
        covered_days=sum(found == "covered" for found in day_verdicts),
        silent=_silent(states),
    )


def _silent(days: Iterable[Mapping[str, float]]) -> float | None:
    """Share of the daylight's minutes in which nothing was heard."""
    lit = [(state, minutes) for states in days for state, minutes in states.items() if state != "night"]
    return ratio(sum(m for state, m in lit if state == "unheard"), sum(m for _, m in lit))


def from_json(arrays: Iterable[Mapping[str, Any]]) -> list[ArraySpan]:
    """The same from the ``arrays`` of an assessment's JSON."""
    return [
        _span(
            a["name"],
            a,
            {dt.date.fromisoformat(d["date"]): d["expected_wh"] for d in a["days"] if d["expected_wh"] is not None},
            [d["verdict"] for d in a["days"]],
            [d["states"] for d in a["days"]],
        )
        for a in arrays
    ]


def finding_from_json(entry: Mapping[str, Any]) -> Finding:
    """A finding of an assessment's JSON, its ISO 8601 times back in milliseconds."""
    return Finding(
        rule=entry["rule"],
        subject=entry["subject"],
        state=entry["state"],
        priority=entry["priority"],
        since=_ms(entry["since"]),
        until=_ms(entry["until"]) if entry["until"] else None,
        summary=entry["summary"],
        evidence=dict(entry["evidence"]),
        causes=tuple(Cause(c["cause"], c["probability"], c["next_check"]) for c in entry["causes"]),
        id=entry.get("id"),
    )


def _ms(text: str) -> int:
    return round(dt.datetime.fromisoformat(text).timestamp() * 1000)
