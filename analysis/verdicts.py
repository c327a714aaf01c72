"""Owns the verdict of a day or of a span of days, and the sums on which it stands: the contract's own rules."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from analysis.results import CLEAR, EVIDENCE, SISTERS, ArrayDay, ratio

DEADBAND = 0.07
COVERED_SHARE = 0.05
LIMITED_SHARE = 0.5
LEAST_COMPLETENESS = 0.5
LEAST_JUDGING_MIN = 60.0
# Share of a clear sky's power that proves an array well, whatever the light was; common practice, no source.
NEAR_CLEAR = 0.85
RELATIVE = (EVIDENCE[SISTERS], EVIDENCE[CLEAR])
_SUMMED = (
    "measured_wh", "expected_wh", "expected_low_wh", "expected_high_wh", "judged_measured_wh", "judged_expected_wh",
    "judged_low_wh", "judged_high_wh", "curtailed_wh", "covered_wh", "limited_wh", "plane_wh_m2",
)  # fmt: skip
# The figures of an array over a day or a span, as the contract names them; a day has each by itself.
FIGURES = (
    "measured_wh", "expected_wh", "expected_low_wh", "expected_high_wh", "judged_ratio", "judged_ratio_low",
    "judged_ratio_high", "curtailed_wh", "covered_wh", "performance_ratio", "completeness", "verdict",
)  # fmt: skip


def verdict(
    *,
    completeness: float,
    judging_min: float,
    covered_wh: float | None,
    expected_wh: float | None,
    limited_wh: float | None,
    judged_wh: float | None,
    judged_low_wh: float | None,
    judged_high_wh: float | None = None,
    absolute: bool = True,
    deadband: float = DEADBAND,
) -> str:
    """Verdict of a day or of a span, the first that applies.

    Light that only the sister arrays showed can tell that one is weak. That one is well it tells only where the array
    came close to what a clear sky would have given: all of them may be weak together.

    Returns
    -------
    str
        ``cannot tell``, ``covered``, ``shortfall``, ``limited`` or ``healthy``.
    """
    covered = bool(expected_wh and covered_wh is not None and covered_wh > COVERED_SHARE * expected_wh)
    if completeness < LEAST_COMPLETENESS or (judging_min < LEAST_JUDGING_MIN and not covered):
        return "cannot tell"
    if covered:
        return "covered"
    if judged_wh is not None and judged_low_wh and judged_wh / judged_low_wh < 1.0 - deadband:
        return "shortfall"
    if not absolute and not (judged_wh and judged_high_wh and judged_wh > NEAR_CLEAR * judged_high_wh):
        return "cannot tell"
    if expected_wh and limited_wh is not None and limited_wh > LIMITED_SHARE * expected_wh:
        return "limited"
    return "healthy"


def over(days: Sequence[ArrayDay]) -> dict[str, Any]:
    """The `FIGURES` over several days of one array, and the sums behind them: sums of sums, then the same rules."""

    def add(name: str) -> float | None:
        values = [v for d in days if (v := getattr(d, name)) is not None]
        return sum(values) if values else None

    sums: dict[str, Any] = {name: add(name) for name in _SUMMED}
    judged = sums["judged_measured_wh"]
    sums["judged_ratio"] = ratio(judged, sums["judged_expected_wh"])
    # Errors of light and datasheet last for days, so the ends of the days' intervals are added as they are.
    sums["judged_ratio_low"] = ratio(judged, sums["judged_high_wh"])
    sums["judged_ratio_high"] = ratio(judged, sums["judged_low_wh"])
    daylight, known = sum(d.daylight_min for d in days), sum(d.known_min for d in days)
    sums["completeness"] = known / daylight if daylight else 0.0
    with_plane = [d for d in days if d.performance_ratio is not None and d.plane_wh_m2]
    plane = sum((d.plane_wh_m2 or 0.0) * d.rated_w for d in with_plane)
    got = sum((d.performance_ratio or 0.0) * (d.plane_wh_m2 or 0.0) * d.rated_w for d in with_plane)
    sums["performance_ratio"] = got / plane if plane else None
    sums["verdict"] = verdict(
        completeness=sums["completeness"],
        judging_min=sum(d.judging_min for d in days),
        covered_wh=sums["covered_wh"],
        expected_wh=sums["expected_wh"],
        limited_wh=sums["limited_wh"],
        judged_wh=judged,
        judged_low_wh=sums["judged_low_wh"],
        judged_high_wh=sums["judged_high_wh"],
        absolute=not days or sum(d.evidence not in RELATIVE for d in days) * 2 > len(days),
    )
    return sums
