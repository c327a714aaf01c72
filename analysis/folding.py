"""Owns which finding explains which: what another one explains is folded into it, and no notice of its own."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from analysis.results import Finding
from logger.settings import Settings

# What is left of an excess, or of a sound array, once an instrument's error is taken out; common practice, no source.
_NEARLY = 1.12
# An array that lost so little beside one that gives too much is sound; common practice, no source.
_SOUND = 0.9
# How a shortfall says that it was found from clear day to clear day, or from hour to hour of them.
CLEAR_DAYS = "clear days"
HOURS = "hours of the sun"
# A clock so far off makes of a day what it was not; common practice, no source.
_CLOCK_OFF_MIN = 45.0


def fold(findings: Sequence[Finding], settings: Settings) -> list[Finding]:
    """Take out findings that another one explains, and note them in its evidence.

    A box over its limit is the fan's, while the fan does nothing, and a throttled controller the fan's or the box's; a
    shortfall is the cable's, where the watts lost in the cable make up most of it, or the light sensor's, where that
    says as much too much. An excess is an instrument's that is off by as much; and an array that looks weak beside one
    that gives too much is sound. Where the clock is far off, silences at one end of each day and an excess by light
    that was turned into the plane are its doing.
    """
    kept = {_key(finding): finding for finding in findings}
    for finding in findings:
        reason = next(
            (other for other in findings if _key(other) in kept and _explains(other, finding, settings)), None
        )
        if reason is None:
            continue
        del kept[_key(finding)]
        # As it stands by now: it may explain others already.
        explaining = kept[_key(reason)]
        folded = [*explaining.evidence.get("explains", []), f"{finding.rule} {finding.subject}"]
        kept[_key(reason)] = replace(explaining, evidence=explaining.evidence | {"explains": folded})
    return list(kept.values())


def _key(finding: Finding) -> tuple[str, str, int]:
    return finding.rule, finding.subject, finding.since


def _explains(reason: Finding, finding: Finding, settings: Settings) -> bool:
    if reason is finding or not _overlap(reason, finding):
        return False
    explains = _EXPLAINS.get((reason.rule, finding.rule))
    return explains is not None and explains(reason, finding, settings)


def _overlap(one: Finding, other: Finding) -> bool:
    return (one.until is None or one.until > other.since) and (other.until is None or other.until > one.since)


def _lost(shortfall: Finding) -> float:
    return float(shortfall.evidence.get("lost_fraction") or 1.0)


def _fan_explains_heat(fan: Finding, hot: Finding, settings: Settings) -> bool:
    return any(f"fan.{f.name}" == fan.subject and f"enclosure.{f.enclosure}" == hot.subject for f in settings.fan)


def _fan_explains_throttling(fan: Finding, hot: Finding, settings: Settings) -> bool:
    return any(f"fan.{f.name}" == fan.subject and f.enclosure == _box_of(hot, settings) for f in settings.fan)


def _box_explains_throttling(box: Finding, hot: Finding, settings: Settings) -> bool:
    return box.subject == f"enclosure.{_box_of(hot, settings)}"


def _box_of(controller: Finding, settings: Settings) -> str | None:
    return next((c.enclosure for c in settings.controller if f"controller.{c.name}" == controller.subject), None)


def _sensor_explains_shortfall(sensor: Finding, short: Finding, _: Settings) -> bool:
    """A sensor that says too much makes every array look short by as much."""
    return float(sensor.evidence.get("gain", 1.0)) * (1.0 - _lost(short)) > 0.95


def _cable_explains_shortfall(run: Finding, short: Finding, settings: Settings) -> bool:
    if short.evidence.get("found_by") == CLEAR_DAYS:
        return False  # what the run takes is out of it already
    cable = next((c for c in settings.cable if c.carries == short.subject), None)
    in_cable = (run.evidence.get("drop_percent") or 0.0) / 100.0
    return cable is not None and run.subject == f"cable.{cable.name}" and in_cable > 0.5 * _lost(short)


def _sensor_explains_excess(sensor: Finding, excess: Finding, _: Settings) -> bool:
    gain = float(sensor.evidence.get("gain", 1.0))
    return gain < 1.0 and gain * float(excess.evidence["excess_ratio"]) < _NEARLY


def _clock_explains_dips(clock: Finding, short: Finding, _: Settings) -> bool:
    """Light turned into the plane by the wrong sun is too much at some hours of every clear day."""
    off = abs(float(clock.evidence.get("noon_shift_min") or 0.0)) >= _CLOCK_OFF_MIN
    return off and short.evidence.get("found_by") == HOURS


def _counter_explains_excess(meters: Finding, excess: Finding, settings: Settings) -> bool:
    """Its counter counted what the light allows: volts and amps say too much."""
    array = next((a for a in settings.array if f"array.{a.name}" == excess.subject), None)
    gain = float(meters.evidence.get("ratio") or 1.0)
    hers = array is not None and meters.subject == f"controller.{array.controller}"
    return hers and gain < 1.0 and gain * float(excess.evidence["excess_ratio"]) < _NEARLY


def _excess_explains_shortfall(excess: Finding, short: Finding, _: Settings) -> bool:
    """Weak only beside an array that gives too much, by grey skies or where the sisters were the light; or only at some
    hours of the same array, which the wrong drawing moves."""
    if short.subject == excess.subject:
        # What the drawing turns the wrong way is too little at some hours and far too much in all.
        return short.evidence.get("found_by") == HOURS
    beside = short.evidence.get("grey_against") == excess.subject and "judged_ratio" not in short.evidence
    beside |= short.evidence.get("light") == "sister arrays"
    return beside and (1.0 - _lost(short)) * float(excess.evidence["excess_ratio"]) > _SOUND


def _clock_explains_silence(clock: Finding, silent: Finding, _: Settings) -> bool:
    """Stamps that lie hours off leave one end of each day without a word."""
    return "each_day" in silent.evidence and abs(float(clock.evidence.get("noon_shift_min") or 0.0)) >= _CLOCK_OFF_MIN


def _light_explains_power(light: Finding, power: Finding, _: Settings) -> bool:
    """What a sensor tells of the clock is told once, though the array's power tells it too."""
    return light.subject == "clock" != power.subject


def _clock_explains_excess(clock: Finding, excess: Finding, _: Settings) -> bool:
    """Light turned into the plane by the wrong sun; what was read in the plane needs none."""
    turned = excess.evidence["light"] not in ("plane", "reference module")
    return turned and abs(float(clock.evidence.get("noon_shift_min") or 0.0)) >= _CLOCK_OFF_MIN


def _explains_facing(_one: Finding, _facing: Finding, _: Settings) -> bool:
    """Another clock turns the sun about, and a sensor that is wrong lights its plane otherwise."""
    return True


# Rule that explains, and rule that is explained.
_EXPLAINS: Mapping[tuple[str, str], Callable[[Finding, Finding, Settings], bool]] = {
    ("fan-ineffective", "enclosure-over-temperature"): _fan_explains_heat,
    ("fan-ineffective", "controller-throttled"): _fan_explains_throttling,
    ("enclosure-over-temperature", "controller-throttled"): _box_explains_throttling,
    ("sensor-suspect", "yield-shortfall"): _sensor_explains_shortfall,
    ("loop-resistance", "yield-shortfall"): _cable_explains_shortfall,
    ("sensor-suspect", "yield-excess"): _sensor_explains_excess,
    ("meters-disagree", "yield-excess"): _counter_explains_excess,
    ("clock-suspect", "instrument-unheard"): _clock_explains_silence,
    ("clock-suspect", "clock-suspect"): _light_explains_power,
    ("clock-suspect", "yield-excess"): _clock_explains_excess,
    ("clock-suspect", "yield-shortfall"): _clock_explains_dips,
    ("yield-excess", "yield-shortfall"): _excess_explains_shortfall,
    ("clock-suspect", "facing-suspect"): _explains_facing,
    ("sensor-suspect", "facing-suspect"): _explains_facing,
}
