"""An array gave far more than the light allowed by its settings, over days: drawing, meter or light sensor is wrong."""

from __future__ import annotations

import statistics
from collections.abc import Sequence

from analysis import beyond_clear
from analysis.beyond_clear import Beyond
from analysis.causes import CAUSES
from analysis.diagnosis import rank
from analysis.findings import History, Spell, between_changes, spells
from analysis.results import CLEAR, EVIDENCE, ArrayDay, Finding
from analysis.sky import GLOBAL, LUX

RULE = "yield-excess"
# The mirror of a shortfall's deadband, beyond the interval of the expectation, on three days; cleared where a day's own
# ratio is back; common practice, no source.
_ABOVE, _WELL = 1.07, 1.05
_LEAST_MIN = 60.0
_DAYS = 3
# Whole or half as many modules, or strings, again.
_COUNTS = (1.5, 2.0, 3.0, 4.0)
# How far the hours lie apart in an excess beyond the clear sky: at all hours alike, or at the ends of the day alone.
_ALIKE, _APART = 0.2, 1.4


def found(history: History) -> list[Finding]:
    """One finding for each spell of each array; a change of the array ends it."""
    findings = []
    for name in sorted({d.array for d in history.array_days}):
        days = [d for d in history.array_days if d.array == name and _telling(d)]
        for stretch, changed in between_changes(days, history.changes.get(f"array.{name}", ())):
            for spell in spells(
                stretch,
                bad=lambda d: (d.judged_ratio_low or 0.0) > _ABOVE,
                well=lambda d: (d.judged_ratio or 0.0) < _WELL,
                to_raise=_DAYS,
            ):
                findings.append(_finding(history, spell, changed))
        mine = [d for d in history.array_days if d.array == name]
        findings += [_beyond(told) for told in beyond_clear.spells_of(mine, history.changes.get(f"array.{name}", ()))]
    return findings


def _beyond(told: Beyond) -> Finding:
    """More than a cloudless sky can give it as it is drawn, where no light is known."""
    name = told.days[0].array
    times, days = f"{told.times:.1f} times", len(told.days)
    if told.is_about_noon:
        when, why = "", "its size in the settings, or a unit, is wrong"
    else:
        when = " in the " + " and the ".join(told.ends)
        both = ", or follows the sun" if len(told.ends) > 1 else ", or the clock is off"
        why = f"it lies otherwise than drawn{both}"
    # No sensor measured the light: none is to blame.
    features = {"hours_apart": _ALIKE if told.is_about_noon else _APART, "sky_share": 0.0}
    return Finding(
        rule=RULE,
        subject=f"array.{name}",
        state="unacknowledged" if told.until is None else "returned",
        priority="medium",
        since=told.days[0].start,
        until=told.until,
        summary=f"the {name} array gave{when} {times} what a cloudless sky allows it, over {days} days: {why}",
        evidence={
            "days": [d.day.isoformat() for d in told.days],
            "excess_ratio": round(told.times, 3),
            "light": EVIDENCE[CLEAR],
            **{f"{part}_minutes": round(minutes) for part, minutes in told.minutes.items()},
            "features": features,
        },
        causes=rank(RULE, features, CAUSES),
    )


def _telling(day: ArrayDay) -> bool:
    return day.judging_min >= _LEAST_MIN and day.judged_ratio is not None


def _finding(history: History, spell: Spell[ArrayDay], changed: int | None) -> Finding:
    shown, until = spell.shown, spell.returned.start if spell.returned else changed
    name = shown[0].array
    times = _times(shown)
    return Finding(
        rule=RULE,
        subject=f"array.{name}",
        state="unacknowledged" if until is None else "returned",
        priority="medium",
        since=shown[0].start,
        until=until,
        summary=(
            f"the {name} array gave {100 * times:.0f} % of what its settings and the light allow, over {len(shown)} "
            "days: the drawing, a meter or the light sensor is wrong"
        ),
        evidence={
            "days": [d.day.isoformat() for d in shown],
            "excess_ratio": round(times, 3),
            "light": shown[-1].evidence,
            "features": (features := _features(history, shown, times)),
        },
        causes=rank(RULE, features, CAUSES),
    )


def _times(days: Sequence[ArrayDay]) -> float:
    """Measured over expected of judged intervals, over all the days."""
    got = sum(d.judged_measured_wh or 0.0 for d in days)
    could = sum(d.judged_expected_wh or 0.0 for d in days)
    return got / could if could else 1.0


def _features(history: History, shown: Sequence[ArrayDay], times: float) -> dict[str, float]:
    """What parts the causes: the other arrays, the clear sky, a second meter, and the hours."""
    excess = times - 1.0
    known: dict[str, float | None] = {
        "excess_alike": _alike(history, shown, excess),
        "sky_share": _share(_sky_gain(history, shown), times),
        "second_share": _share(_second(history, shown), times),
        "hours_apart": _hours_apart(shown, excess),
        "beam_over_grey": _beam_over_grey(shown, excess),
        "count_apart": min(abs(times / whole - 1.0) for whole in _COUNTS),
    }
    return {key: round(value, 3) for key, value in known.items() if value is not None}


def _share(gain: float | None, times: float) -> float | None:
    """The share of an excess that an instrument of that gain explains: 1 where it says as much too little."""
    return None if gain is None else min(max((1.0 - gain) / (1.0 - 1.0 / times), -0.5), 1.5)


def _alike(history: History, shown: Sequence[ArrayDay], excess: float) -> float | None:
    """Excess of the other arrays on these days, over this one's."""
    dates = {d.day for d in shown}
    others = [
        d.judged_ratio
        for d in history.array_days
        if d.array != shown[0].array and d.day in dates and d.judged_ratio is not None and d.judging_min >= _LEAST_MIN
    ]
    return min(max((statistics.median(others) - 1.0) / excess, -0.5), 1.5) if others else None


def _sky_gain(history: History, shown: Sequence[ArrayDay]) -> float | None:
    """Gain of the light sensor that judged, by the clear days among all that the record holds of late."""
    channel = {"plane": f"irradiance.{shown[0].array}.plane", "horizontal": GLOBAL, "lux": LUX}.get(shown[-1].evidence)
    gains = [
        d.gain / d.drift
        for d in history.light_days
        if d.channel == channel and d.gain is not None and shown[0].start <= d.start <= shown[-1].start
    ]
    return statistics.median(gains) if gains else None


def _second(history: History, shown: Sequence[ArrayDay]) -> float | None:
    """What a second witness of the same energy says of it: the controller's own day counter, else its output."""
    standing = history.settings.on(shown[-1].day)
    array = next((a for a in standing.array if a.name == shown[0].array), None)
    if array is None:
        return None
    starts = {d.start for d in shown}
    counted = [
        d.counted_wh / d.measured_wh
        for d in history.counters
        if d.controller == array.controller and d.start in starts and d.measured_wh > 0
    ]
    if counted:
        return statistics.median(counted)
    efficiency = next((c.efficiency for c in standing.controller if c.name == array.controller), 1.0)
    out, into = (float(sum(d.features["through"][i] for d in shown if "through" in d.features)) for i in (0, 1))
    return out / into / efficiency if into > 0 else None


def _hours_apart(shown: Sequence[ArrayDay], excess: float) -> float | None:
    """How far the hours lie apart in their excess, over the excess: the weighty ones, nine tenths of them."""
    got: dict[str, float] = {}
    could: dict[str, float] = {}
    for d in shown:
        for hour, (g, c) in d.features.get("by_hour", {}).items():
            got[hour], could[hour] = got.get(hour, 0.0) + g, could.get(hour, 0.0) + c
    whole = sum(could.values())
    ratios = sorted(got[h] / could[h] for h in could if could[h] > 0.03 * whole)
    return min((ratios[-1] - ratios[0]) / excess, 2.0) if len(ratios) >= 3 else None


def _beam_over_grey(shown: Sequence[ArrayDay], excess: float) -> float | None:
    """Excess under beam less that under cloud, over the whole."""
    sums: dict[str, list[float]] = {
        key: [sum(pair) for pair in zip(*(d.features[key] for d in shown if key in d.features), strict=True)]
        for key in ("beam", "grey")
    }
    if not all(len(pair) == 2 and pair[1] > 0.05 * sum(p[1] for p in sums.values() if p) for pair in sums.values()):
        return None
    (beam, beam_wh), (grey, grey_wh) = sums["beam"], sums["grey"]
    return min(max((beam / beam_wh - grey / grey_wh) / excess, -2.0), 2.0)
