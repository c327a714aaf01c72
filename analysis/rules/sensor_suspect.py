"""A light sensor that says, under a clear sky, what no clear sky gives, or no longer what it said of the first ones.

Two sensors may differ under any sky; where the array sides with the one facing up, the one in its plane is wrong.
"""

from __future__ import annotations

import datetime as dt
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from analysis.causes import CAUSES
from analysis.diagnosis import rank
from analysis.findings import History, Spell, between_changes, spells
from analysis.results import EVIDENCE, PLANE, REFERENCE, ArrayDay, Finding
from analysis.results_light import LightDay
from analysis.sky import GLOBAL, LUX

RULE = "sensor-suspect"
# The clear sky by turbidity climatology is known to about 8 %; common practice, no source. In a plane the drawn tilt
# and the step into it add to that, for a lux sensor the spread of luminous efficacy.
_BOUNDS = {GLOBAL: (0.80, 1.13), LUX: (0.65, 1.35)}
_IN_PLANE = (0.75, 1.20)
_DEADBAND = 0.03
# Under one clear sky two sensors agree better than either with the sky's model; common practice, no source.
_APART, _TOGETHER = 0.10, 0.06
# Of a day's light, where a clock that is off by hours makes half of one dark; common practice, no source.
_DEAD_SHARE = 0.55
# Under cloud the light on the flat leads into a plane less well; common practice, no source.
_OUTVOTED = 0.15
_QUANTITIES = {EVIDENCE[PLANE]: "plane", EVIDENCE[REFERENCE]: "reference_current"}


def found(history: History) -> list[Finding]:
    """One finding for each spell of each sensor; three clear days raise it, two clear it."""
    findings = []
    for channel in sorted({d.channel for d in history.light_days}):
        own = [d for d in history.light_days if d.channel == channel]
        never_dark = spells(own, bad=lambda d: d.is_never_dark, well=lambda d: not d.is_never_dark)
        findings += [_lit_at_night(channel, spell, history) for spell in never_dark]
        days = [d for d in history.light_days if d.channel == channel and d.gain is not None]
        beyond = _beyond(days, *_BOUNDS.get(channel, _IN_PLANE))
        findings += [_finding(channel, spell, history) for spell in beyond]
        drifted = spells(days, bad=lambda d: d.drift != 1.0, well=lambda d: d.drift == 1.0, to_raise=3)
        told = {d.day for spell in beyond for d in spell.shown}
        findings += [
            _drift(channel, spell, history) for spell in drifted if told.isdisjoint(d.day for d in spell.shown)
        ]
    findings += _disagreeing(history, findings) + _lightless(history)
    return findings + _outvoted(history, findings)


def _beyond(days: Sequence[LightDay], least: float, most: float) -> list[Spell[LightDay]]:
    return spells(
        days,
        bad=lambda d: not least < (d.gain or 1.0) < most,
        well=lambda d: least + _DEADBAND < (d.gain or 1.0) < most - _DEADBAND,
        to_raise=3,
    )


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two sensors on one clear day, the drift of each taken out."""

    start: int
    one: LightDay
    other: LightDay

    @property
    def ratio(self) -> float:
        return (self.one.gain or 1.0) / self.one.drift / ((self.other.gain or 1.0) / self.other.drift)

    @property
    def doubtful(self) -> LightDay:
        """The one that lies further from what the clear sky gives."""
        return max(self.one, self.other, key=lambda d: abs((d.gain or 1.0) / d.drift - 1.0))


def _disagreeing(history: History, known: Sequence[Finding]) -> list[Finding]:
    """Sensors that differ under one clear sky, where nothing is told of either yet."""
    clear: dict[dt.date, list[LightDay]] = {}
    for d in history.light_days:
        # A lux sensor's own scale is too loose to try another by.
        if d.gain and d.channel != LUX:
            clear.setdefault(d.day, []).append(d)
    pairs: dict[tuple[str, str], list[_Pair]] = {}
    for same in clear.values():
        for one, other in combinations(sorted(same, key=lambda d: d.channel), 2):
            pairs.setdefault((one.channel, other.channel), []).append(_Pair(one.start, one, other))
    told = {finding.evidence["channel"] for finding in known if finding.is_open}
    return [
        _apart(spell, history)
        for channels, days in pairs.items()
        if told.isdisjoint(channels)
        for spell in spells(
            days, bad=lambda p: abs(p.ratio - 1) > _APART, well=lambda p: abs(p.ratio - 1) < _TOGETHER, to_raise=3
        )
    ]


def _apart(spell: Spell[_Pair], history: History) -> Finding:
    last = spell.shown[-1]
    ratio = statistics.median(p.ratio for p in spell.shown)
    return Finding(
        rule=RULE,
        subject=f"source.{_source(last.doubtful.channel, history)}",
        state="unacknowledged" if spell.returned is None else "returned",
        priority="low",
        since=spell.shown[0].start,
        until=spell.returned.start if spell.returned else None,
        summary=f"under one clear sky {_called(last.one.channel)} says {100 * abs(ratio - 1):.0f} % "
        f"{'more' if ratio > 1 else 'less'} than {_called(last.other.channel)}, each for its place",
        evidence={
            "channel": last.doubtful.channel,
            "channels": [last.one.channel, last.other.channel],
            "ratio": round(ratio, 3),
            "clear_days": [p.one.day.isoformat() for p in spell.shown],
        },
        causes=rank(RULE, {}, CAUSES),
    )


def _lightless(history: History) -> list[Finding]:
    """Sensors that said nothing through most of a day's light."""
    channels = sorted({channel for d in history.array_days for channel in _dead_min(d)})
    return [_says_nothing(channel, spell, history) for channel in channels for spell in _dead_spells(channel, history)]


def _dead_spells(channel: str, history: History) -> list[Spell[ArrayDay]]:
    lies_on = channel.split(".")[1]
    # A sensor that faces up stands in the days of every array.
    days = {d.day: d for d in history.array_days if lies_on in (d.array, "horizontal")}
    return spells(
        days.values(),
        bad=lambda d: _dead_min(d).get(channel, 0.0) >= _DEAD_SHARE * d.daylight_min,
        well=lambda d: channel not in _dead_min(d) and d.known_min > 0,
        to_raise=1,
        to_clear=1,
    )


def _dead_min(day: ArrayDay) -> dict[str, float]:
    return dict(day.features.get("lightless_min", {}))


def _says_nothing(channel: str, spell: Spell[ArrayDay], history: History) -> Finding:
    return Finding(
        rule=RULE,
        subject=f"source.{_source(channel, history)}",
        state="unacknowledged" if spell.returned is None else "returned",
        priority="low",
        since=spell.shown[0].start,
        until=spell.returned.start if spell.returned else None,
        summary=f"{_called(channel)} says nothing in full day: dead, unplugged, covered, or in another unit",
        evidence={"channel": channel, "days": [d.day.isoformat() for d in spell.shown]},
        causes=rank(RULE, {}, CAUSES),
    )


def _outvoted(history: History, known: Sequence[Finding]) -> list[Finding]:
    """Sensors in a plane that the array and the sensor facing up contradict, where nothing is told of them yet."""
    told = {finding.evidence["channel"] for finding in known if finding.is_open}
    findings = []
    for name in sorted({d.array for d in history.array_days}):
        days = [d for d in history.array_days if d.array == name and d.judging_min >= 60.0 and _says(d)]
        for stretch, changed in between_changes(days, history.changes.get(f"array.{name}", ())):
            for spell in spells(stretch, bad=_is_outvoted, well=lambda d: abs(_says(d) - 1) < _APART, to_raise=3):
                channel = f"irradiance.{name}.{_QUANTITIES[spell.shown[-1].evidence]}"
                if channel not in told:
                    findings.append(_against_two(channel, spell, changed, history))
    return findings


def _says(day: ArrayDay) -> float:
    """Light by the sensor in the plane over that by the one facing up; 0 where the two were not heard together."""
    own, other = day.features.get("second_light", (0.0, 0.0))
    return own / other if other > 0 and day.evidence in _QUANTITIES else 0.0


def _is_outvoted(day: ArrayDay) -> bool:
    ratio = day.judged_ratio
    return ratio is not None and abs(_says(day) - 1) > _OUTVOTED and abs(ratio * _says(day) - 1) < _APART


def _against_two(channel: str, spell: Spell[ArrayDay], changed: int | None, history: History) -> Finding:
    gain = statistics.median(_says(d) for d in spell.shown)
    until = spell.returned.start if spell.returned else changed
    return Finding(
        rule=RULE,
        subject=f"source.{_source(channel, history)}",
        state="unacknowledged" if until is None else "returned",
        priority="medium" if gain > 1 else "low",
        since=spell.shown[0].start,
        until=until,
        summary=f"{_called(channel)} says {100 * abs(gain - 1):.0f} % {'more' if gain > 1 else 'less'} than both the "
        "light sensor facing up and the array itself",
        evidence={
            "channel": channel,
            "gain": round(gain, 3),
            "days": [d.day.isoformat() for d in spell.shown],
        },
        causes=rank(RULE, {}, CAUSES),
    )


def _called(channel: str) -> str:
    """A light sensor as said aloud."""
    subject, name = channel.split(".")[1:] if channel.count(".") == 2 else (channel, "")
    if name == "plane":
        return f"the light sensor in the plane of {subject}"
    if name == "reference_current":
        return f"the reference module of {subject}"
    return {GLOBAL: "the light sensor facing up", LUX: "the lux sensor"}.get(channel, channel)


def _source(channel: str, history: History) -> str:
    return next((s.name for s in history.settings.source if any(c.channel == channel for c in s.channel)), channel)


def _lit_at_night(channel: str, spell: Spell[LightDay], history: History) -> Finding:
    said = statistics.median(d.offset_wm2 for d in spell.shown)
    return Finding(
        rule=RULE,
        subject=f"source.{_source(channel, history)}",
        state="unacknowledged" if spell.returned is None else "returned",
        priority="medium",
        since=spell.shown[0].start,
        until=spell.returned.start if spell.returned else None,
        summary=f"{channel} says {said:.0f} W/m² in the dark; its days count as not read",
        evidence={"channel": channel, "night_wm2": round(said, 1), "days": [d.day.isoformat() for d in spell.shown]},
        causes=rank(RULE, {}, CAUSES),
    )


def _drift(channel: str, spell: Spell[LightDay], history: History) -> Finding:
    last = spell.shown[-1]
    way = "fallen" if last.drift < 1.0 else "risen"
    return Finding(
        rule=RULE,
        subject=f"source.{_source(channel, history)}",
        state="unacknowledged" if spell.returned is None else "returned",
        priority="low",
        since=spell.shown[0].start,
        until=spell.returned.start if spell.returned else None,
        summary=(
            f"{_called(channel)} has {way} by {100 * abs(last.drift - 1):.0f} % since its first clear days; the light "
            "that judges the arrays is put right for it"
        ),
        evidence={
            "channel": channel,
            "drift": round(last.drift, 3),
            "clear_days": [d.day.isoformat() for d in spell.shown],
            "night_offset_wm2": round(last.offset_wm2, 1),
        },
        causes=rank(RULE, {}, CAUSES),
    )


def _finding(channel: str, spell: Spell[LightDay], history: History) -> Finding:
    gain = statistics.median(d.gain or 1.0 for d in spell.shown)
    much = f"{100 * abs(gain - 1):.0f} % too {'much' if gain > 1 else 'little'}"
    return Finding(
        rule=RULE,
        subject=f"source.{_source(channel, history)}",
        state="unacknowledged" if spell.returned is None else "returned",
        priority="medium" if gain > 1 else "low",
        since=spell.shown[0].start,
        until=spell.returned.start if spell.returned else None,
        summary=f"{_called(channel)} says {much} under a clear sky",
        evidence={
            "channel": channel,
            "gain": round(gain, 3),
            "clear_days": [d.day.isoformat() for d in spell.shown],
            "night_offset_wm2": round(spell.shown[-1].offset_wm2, 1),
        },
        causes=rank(RULE, {}, CAUSES),
    )
