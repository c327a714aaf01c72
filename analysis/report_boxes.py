"""Owns the boxes as `assess --json` prints them: peak and limit, how hard they are to cool, and what holds them."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from typing import Any

from analysis.results import EnclosureEstimate
from analysis.results_boxes import TOLD, BoxSpell
from analysis.sun import solar_day


def entries(
    estimates: Sequence[EnclosureEstimate], spells: Sequence[BoxSpell], longitude: float
) -> list[dict[str, Any]]:
    """Each box over a span: by its days, and where nobody hears its fan by its spells of days.

    ``ceiling_c`` is the warmth at which it was held last, as a thermostat's fan holds it; None where it was not.
    """
    found = []
    for name in dict.fromkeys(e.enclosure for e in estimates):
        mine = [e for e in estimates if e.enclosure == name]
        told = [e for e in mine if e.thermal_resistance_k_per_w is not None]
        by_fan = {
            fan: [e.thermal_resistance_k_per_w for e in told if e.fan == fan and e.thermal_resistance_k_per_w]
            for fan in ("running", "stopped")
        }
        gain = (
            statistics.median(by_fan["stopped"]) / statistics.median(by_fan["running"])
            if by_fan["stopped"] and by_fan["running"]
            else None
        )
        latest = next((e for e in reversed(told) if e.fan != "stopped"), told[-1] if told else None)
        found.append(
            {
                "name": name,
                "peak_c": _rounded(max((e.peak_c for e in mine if e.peak_c is not None), default=None), 2),
                "limit_c": mine[-1].limit_c,
                "thermal_resistance_k_per_w": _rounded(latest.thermal_resistance_k_per_w if latest else None, 4),
                "fan_gain": _rounded(gain, 3),
                **_held([s for s in spells if s.enclosure == name], longitude),
            }
        )
    return found


def _held(spells: Sequence[BoxSpell], longitude: float) -> dict[str, Any]:
    last = next((s for s in reversed(spells) if s.told == TOLD), None)
    return {
        "ceiling_c": _rounded(last.ceiling_c if last else None, 2),
        "ceiling_low_c": _rounded(last.ceiling_low_c if last else None, 2),
        "ceiling_high_c": _rounded(last.ceiling_high_c if last else None, 2),
        "time_constant_min": _rounded(last.time_constant_min if last else None, 1),
        "spells": [_spell(s, longitude) for s in spells],
    }


def _spell(spell: BoxSpell, longitude: float) -> dict[str, Any]:
    return {
        "from": solar_day(spell.start, longitude).isoformat(),
        "to": solar_day(spell.stop - 1, longitude).isoformat(),
        "days": spell.days,
        "told": spell.told,
        "thermal_resistance_k_per_w": _rounded(spell.thermal_resistance_k_per_w, 6),
        "time_constant_min": _rounded(spell.time_constant_min, 1),
        "base_c": _rounded(spell.base_c, 2),
        "ceiling_c": _rounded(spell.ceiling_c, 2),
        "ceiling_low_c": _rounded(spell.ceiling_low_c, 2),
        "ceiling_high_c": _rounded(spell.ceiling_high_c, 2),
        "held_min": round(spell.held_min, 1),
        "r2": _rounded(spell.r2, 4),
        "rmse_k": _rounded(spell.rmse_k, 3),
    }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(float(value), digits)
