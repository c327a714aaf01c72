"""Owns the day of an array: energies, ratio, completeness, verdict, and what its shortfall looks like."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from analysis import jumps, ladder, second_light, standstill, states
from analysis.evidence import Tell
from analysis.expected import NINETY_FIVE, Expected
from analysis.frames import Grid
from analysis.iec61724 import warmth_weighed
from analysis.instruments import Measured
from analysis.irradiance import SISTER_GAIN, Light
from analysis.results import CLEAR, EVIDENCE, SISTERS, ArrayDay, StateRun, SunDay
from analysis.states import Codes
from analysis.sun import Floats
from analysis.verdicts import DEADBAND, verdict
from logger.settings import Array

Mask = np.ndarray[Any, np.dtype[np.bool_]]


def of_day(
    array: Array,
    day: SunDay,
    mask: Mask,
    grid: Grid,
    light: Light,
    said: Measured,
    expected: Expected,
    state: Codes,
    held: Sequence[StateRun],
    confirmed: Floats | None = None,
    second: Floats | None = None,
) -> ArrayDay:
    """One array's day, as the contract of the results defines it.

    Parameters
    ----------
    mask : ndarray of bool
        The intervals of the grid that begin in this day and have the sun above the horizon.
    held : sequence of StateRun
        The day's states, of `runs`.
    confirmed : ndarray, optional
        What of the light the sister arrays confirm, of `irradiance.confirmed`: as far as that light is believed against
        the array.
    second : ndarray, optional
        The light by the next best sensor, of `second_light.of_array`.
    """
    hours = grid.hours
    known = np.isfinite(said.power) & np.isfinite(expected.power) & mask
    light_known = known & (light.plane >= states.LEAST_LIGHT_WM2)
    judged = light_known & (state == states.UNHINDERED)
    judging = judged & (expected.power >= states.JUDGING_SHARE * array.rated_w)
    limited = light_known & np.isin(state, states.LIMITED)
    covered = light_known & (state == states.COVERED)

    def total(values: Floats, where: Mask) -> float:
        return float(values[where].sum() * hours)

    anything = bool(light_known.any())
    measured_wh = total(said.power, light_known) if anything else None
    expected_wh = total(expected.power, light_known) if anything else None
    daylight = float(mask.sum()) * hours * 60.0
    known_min = float(known.sum()) * hours * 60.0
    judging_min = float(judging.sum()) * hours * 60.0
    judged_wh = (total(said.power, judged), total(expected.power, judged)) if judged.any() else (None, None)
    plane = light_known & light.measured
    plane_wh = total(light.incident, plane) if plane.any() else None
    covered_wh = total(expected.power - said.power, covered) if anything else None
    limited_wh = total(expected.power, limited) if anything else None
    completeness = known_min / daylight if daylight else 0.0
    low_wh, high_wh = _bounds(expected, judged, hours)
    if low_wh is not None and confirmed is not None:
        low_wh = min(low_wh, _confirmed(expected, judged, confirmed) * hours)
    expected_low_wh, expected_high_wh = _bounds(expected, light_known, hours)
    found = verdict(
        completeness=completeness,
        judging_min=judging_min,
        covered_wh=covered_wh,
        expected_wh=expected_wh,
        limited_wh=limited_wh,
        judged_wh=judged_wh[0],
        judged_low_wh=low_wh,
        judged_high_wh=high_wh,
        absolute=_is_absolute(light, judged),
    )
    return ArrayDay(
        array=array.name,
        day=day.day,
        start=day.start,
        stop=day.stop,
        rated_w=array.rated_w,
        measured_wh=measured_wh,
        expected_wh=expected_wh,
        expected_low_wh=expected_low_wh,
        expected_high_wh=expected_high_wh,
        judged_measured_wh=judged_wh[0],
        judged_expected_wh=judged_wh[1],
        judged_low_wh=low_wh,
        judged_high_wh=high_wh,
        curtailed_wh=total(expected.power - said.power, limited) if anything else None,
        covered_wh=covered_wh,
        limited_wh=limited_wh,
        performance_ratio=(total(said.power, plane) / array.rated_w / (plane_wh / 1000.0) if plane_wh else None),
        plane_wh_m2=plane_wh,
        daylight_min=daylight,
        known_min=known_min,
        judging_min=judging_min,
        completeness=completeness,
        verdict=found,
        cause="snow" if found == "covered" else None,
        states=_minutes(held),
        features=_features(array, day, judged, grid, light, said, expected)
        | (_first_low(judged, grid, said, expected) if found == "shortfall" else {})
        | jumps.of_day(judged, grid, said.power, expected.power)
        | (second_light.of_day(judged, grid, light, second) if second is not None else {})
        | ({"standstill": still} if (still := standstill.of_day(mask, grid, said, expected, state)) else {}),
        evidence=_best_seen(light, light_known),
        plane_min=float(plane.sum()) * hours * 60.0,
        plane_weighed_wh_m2=_weighed(array, light, expected, plane, hours) if plane.any() else None,
    )


def _weighed(array: Array, light: Light, expected: Expected, where: Mask, hours: float) -> float:
    coefficient = array.module.temp_coeff_power / 100.0
    return float(warmth_weighed(light.incident[where], expected.cell[where], coefficient).sum() * hours)


def _bounds(expected: Expected, where: Mask, hours: float) -> tuple[float | None, float | None]:
    """95 % interval of the energy over some intervals [Wh]; None where there are none."""
    if not where.any():
        return None, None
    low, high = expected.bounds(where)
    return low * hours, high * hours


def _confirmed(expected: Expected, judged: Mask, share: Floats) -> float:
    """The least that the judged intervals can have brought, as far as the sister arrays tell [W, to be multiplied by an
    interval's length]; without bound where they tell nothing."""
    told = judged & np.isfinite(share)
    if not told.any():
        return float("inf")
    power = expected.power
    believed = float((power[told] * share[told]).sum() / power[told].sum())
    return believed * (1.0 - NINETY_FIVE * SISTER_GAIN) * float(power[judged].sum())


def _is_absolute(light: Light, judged: Mask) -> bool:
    """Whether sensors gave most of the light that judged."""
    return not judged.any() or float((light.evidence[judged] < SISTERS).mean()) > 0.5


def _best_seen(light: Light, where: Mask) -> str:
    """The kind of evidence that gave most of the day's light."""
    kinds = light.evidence[where] if where.any() else light.evidence
    return EVIDENCE[int(np.bincount(kinds, minlength=1).argmax())] if len(kinds) else EVIDENCE[CLEAR]


def _minutes(held: Sequence[StateRun]) -> dict[str, float]:
    found: dict[str, float] = {}
    for run in held:
        found[run.state] = found.get(run.state, 0.0) + (run.stop - run.start) / 60_000
    return found


def runs(
    array: str, state: Codes, mask: Mask, grid: Grid, day: SunDay, record: tuple[int, int], tell: Tell
) -> list[StateRun]:
    """Stretches of one state over the part of the day that the record covers; where the sun is down it is night.

    Parameters
    ----------
    record : tuple of int
        Where the record begins and ends, UTC [ms].
    tell : callable
        Gives the evidence of a state over a slice of the grid, as `analysis.evidence.teller` does.
    """
    begin, end = max(day.start, record[0]), min(day.stop, record[1])
    at = np.flatnonzero(mask & (grid.start >= begin) & (grid.start < end))
    starts, codes = grid.start[at], state[at].astype(int)
    # Night fills what the daylight leaves open: before it, between and after.
    ends = starts[np.append(np.diff(starts) > grid.step, True)[: len(starts)]] + grid.step
    times = np.concatenate([[begin], starts, ends])
    held = np.concatenate([[states.NIGHT], codes, np.full(len(ends), states.NIGHT)])
    order = np.argsort(times, kind="stable")
    times, held = np.minimum(times[order], end), held[order]
    # Only where the state changes does a stretch begin; of several at one moment the last one holds.
    change = np.append(np.diff(times) > 0, True)
    times, held = times[change], held[change]
    change = np.append(True, held[1:] != held[:-1])
    times, held = times[change], held[change]
    stops = np.append(times[1:], end)
    first, last = np.searchsorted(grid.start, times), np.searchsorted(grid.start, stops)
    return [
        StateRun(array, start, stop, states.WORDS[code], tell(code, a, b))
        for start, stop, code, a, b in zip(
            times.tolist(), stops.tolist(), held.tolist(), first.tolist(), last.tolist(), strict=True
        )
        if stop > start
    ]


_LASTING_MIN = 30.0


def _first_low(judged: Mask, grid: Grid, said: Measured, expected: Expected) -> dict[str, int]:
    """The first judged interval that is low beyond doubt, as is the light of the half hour from it on, UTC [ms]."""
    at = np.flatnonzero(judged)
    got, least = said.power[at], (1.0 - DEADBAND) * expected.low[at]
    wide = max(round(_LASTING_MIN * 60_000 / grid.step), 1)
    sums = np.concatenate([[0.0], np.cumsum(got - least)])
    lasting = sums[np.minimum(np.arange(len(at)) + wide, len(at))] - sums[:-1] < 0
    low = np.flatnonzero((got < least) & lasting)
    return {"first_low": int(grid.start[at[low[0]]])} if len(low) else {}


def _features(
    array: Array, day: SunDay, judged: Mask, grid: Grid, light: Light, said: Measured, expected: Expected
) -> dict[str, Any]:
    """What the causes look at: how the loss of the day lies over the hours, the beam and the load.

    Energies [Wh] of judged intervals: by whole hours from true solar noon, by share of beam light, by load; and the
    amps squared over them [A²h], which tell what a run of cable takes. And what left the controller beside what went
    in, where both are measured.
    """
    if not judged.any():
        return {}
    # A day is a tenth of what is at hand: everything is looked at where it was judged, and nowhere else.
    at = np.flatnonzero(judged)
    got, could = said.power[at], expected.power[at]
    squared = ladder.amps(array, said, expected)[at] ** 2
    hour = np.floor((grid.middle[at] - day.noon) / 3_600_000).astype(int)
    beam, heavy = light.beam_share[at] >= 0.5, could >= 0.5 * array.rated_w
    out, into = said.output_voltage[at] * said.output_current[at], said.voltage[at] * said.current[at]
    through = np.isfinite(out) & np.isfinite(into)

    def wh(power: Floats, where: Mask) -> float:
        return round(float(power[where].sum() * grid.hours), 2)

    def pair(where: Mask) -> list[float]:
        return [wh(got, where), wh(could, where)]

    return {
        "by_hour": {str(h): pair(hour == h) for h in np.unique(hour)},
        "beam": pair(beam),
        "grey": pair(~beam),
        "heavy": pair(heavy),
        "light": pair(~heavy),
        **({"through": [wh(out, through), wh(into, through)]} if through.any() else {}),
        "judged_a2h": wh(squared, np.ones(len(at), dtype=bool)),
        "beam_a2h": wh(squared, beam),
    }
