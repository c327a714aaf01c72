"""Owns the words of a record's quality: for each channel what is missing, what was marked, and what cannot be."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dashboard.writing import listed, number, percent, quantity

# A day without a change is worth a word; so is one reading in a hundred at the lowest.
_LONG_H, _FLOOR = 24.0, 0.01


def line(told: Mapping[str, Any]) -> str:
    """One channel; `told` is one of the ``quality`` of an assessment's JSON."""
    heard = percent(told["heard"] / told["intervals"])
    said = [f"{heard} heard, {number(told['days_whole'])} of {number(told['days'])} days whole"]
    if told["days_under_quarter"]:
        empty = f" ({number(told['days_empty'])} not at all)" if told["days_empty"] else ""
        said.append(f"{number(told['days_under_quarter'])} heard for less than a quarter{empty}")
    marked = sum(told["marked"].values())
    if marked:
        said.append(f"{number(marked)} readings marked ({listed(sorted(told['marked']))})")
    return f"{told['channel']}: " + "; ".join([*said, *_impossible(told)])


def _impossible(told: Mapping[str, Any]) -> list[str]:
    said = []
    if told["longest_same_h"] > _LONG_H:
        said.append(f"for {quantity(told['longest_same_h'], 'h')} nothing moved")
    if told["stuck_h"]:
        said.append(f"for {quantity(told['stuck_h'], 'h')} one reading stood that cannot stand still")
    if told["light"] is None and told["at_lowest"] > _FLOOR * told["heard"]:
        said.append(f"{number(told['at_lowest'])} at exactly {number(told['lowest'], 1)} {told['unit']}, its lowest")
    if told["beyond_4_sigma"]:
        said.append(f"{number(told['beyond_4_sigma'])} beyond four standard deviations")
    light = told["light"] or {}
    said += [
        f"{number(light[key])} over {bound} W/m²"
        for key, bound in (("over_1300", "1,300"), ("over_1500", "1,500"), ("over_2000", "2,000"))
        if light.get(key)
    ]
    if light.get("days_never_dark"):
        said.append(f"{number(light['days_never_dark'])} days never dark")
    return said
