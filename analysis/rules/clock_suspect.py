"""The light's own noon is not the sun's: the clock is wrong, or she does not lie where the settings say."""

from __future__ import annotations

import datetime as dt
import statistics
from collections.abc import Sequence
from dataclasses import replace

from analysis import file_clocks
from analysis.causes import CAUSES
from analysis.diagnosis import rank
from analysis.file_clocks import Off, PowerDay
from analysis.findings import History, Spell, spells
from analysis.results import (
    Cause,
    Finding,
)
from analysis.results_light import LightDay
from analysis.sky import BY_WEATHER
from analysis.sun import solar_day
from logger.settings import Settings, Source
from logger.zones import zone

RULE = "clock-suspect"
# Haze that comes up through the day moves the light's noon by some minutes; common practice, no source.
_RAISE_S, _CLEAR_S = 15 * 60.0, 8 * 60.0
_SIGMAS = 3.0
# The hours of power tell a zone no better; common practice, no source.
_WHOLE_MIN = 25.0
_OWN_OFFSET = (
    "Stamps that end in an offset of their own, as -07:00, need that offset as plain text in format too: "
    'format = "%Y-%m-%d %H:%M:%S-07:00".'
)


def found(history: History) -> list[Finding]:
    """One finding for each spell by light, which two such days in a row raise; one for each file by its power."""
    told = [d for d in history.light_days if d.noon_shift_s is not None and d.channel != BY_WEATHER]
    # Several sensors are one witness of a day: the one that knows its noon best speaks.
    best = {d.day: d for d in sorted(told, key=lambda d: d.noon_sigma_s or 0.0, reverse=True)}
    days = [best[day] for day in sorted(best)]
    return [_finding(spell) for spell in _spells(days)] + _by_weather(history) + _by_power(history)


def _spells(days: Sequence[LightDay]) -> list[Spell[LightDay]]:
    return spells(
        days,
        bad=lambda d: abs(d.noon_shift_s or 0.0) - _SIGMAS * (d.noon_sigma_s or 0.0) > _RAISE_S,
        well=lambda d: abs(d.noon_shift_s or 0.0) < _CLEAR_S,
    )


def _by_weather(history: History) -> list[Finding]:
    """A weather series whose stamps are read in another zone than they were written in."""
    source = next((s for s in history.settings.source if any(c.channel == BY_WEATHER for c in s.channel)), None)
    days = [d for d in history.light_days if d.noon_shift_s is not None and d.channel == BY_WEATHER]
    if source is None:
        return []
    found = []
    for spell in _spells(days):
        finding = _finding(spell)
        shift = statistics.median(d.noon_shift_s or 0.0 for d in spell.shown) / 60
        words = finding.summary.replace("the light's noon", "the noon of the weather series' light")
        found.append(
            replace(
                finding,
                subject=f"source.{source.name}",
                summary=words,
                causes=_with_remedy(finding.causes, _compare(source, shift)),
            )
        )
    return found


def _finding(spell: Spell[LightDay]) -> Finding:
    shift = statistics.median(d.noon_shift_s or 0.0 for d in spell.shown)
    minutes = f"{abs(shift) / 60:.0f} minutes {'after' if shift > 0 else 'before'}"
    return Finding(
        rule=RULE,
        subject="clock",
        state="unacknowledged" if spell.returned is None else "returned",
        priority="medium",
        since=spell.shown[0].start,
        until=spell.returned.start if spell.returned else None,
        summary=f"the light's noon comes {minutes} the sun's",
        evidence={
            "noon_shift_min": round(shift / 60, 1),
            "as_longitude_degrees": round(-shift / 240, 2),
            "clear_days": [d.day.isoformat() for d in spell.shown],
        },
        causes=rank(RULE, {}, CAUSES),
    )


# -- files of power -----------------------------------------------------------------------------------------------


def _by_power(history: History) -> list[Finding]:
    """Of several arrays in one file the first that tells speaks for it."""
    days = [PowerDay.of(d) for d in history.array_days]
    found: dict[str, Finding] = {}
    for array in sorted({d.array for d in days}):
        source = file_clocks.source_of_power(history.settings, array)
        if source is None or source.name in found:
            continue
        spells_off = file_clocks.off([d for d in days if d.array == array], history.settings.site)
        if spells_off:
            found[source.name] = _of_file(source, array, spells_off, history.settings)
    return list(found.values())


def _of_file(source: Source, array: str, spells_off: Sequence[Off], settings: Settings) -> Finding:
    shift = statistics.median(o.shift_min for o in spells_off)
    last = spells_off[-1]
    # What comes again with every summer is not over because it is winter.
    over = last.over and last.zone is None
    longitude = settings.site.longitude
    dates = [[solar_day(t, longitude).isoformat() for t in (o.start, o.stop - 1)] for o in spells_off]
    side = "after" if shift > 0 else "before"
    hours = f"about {abs(shift) / 60:.0f} hours" if abs(shift) >= 90 else "an hour"
    when = f"from {_written(dates[-1][0])} to {_written(dates[-1][1])}"
    again = f", and in {len(dates) - 1} earlier spells" if len(dates) > 1 else ""
    kept = ": " + ("it keeps summer time" if last.keeps_summer_time else "it keeps no summer time") if last.zone else ""
    return Finding(
        rule=RULE,
        subject=f"source.{source.name}",
        state="returned" if over else "unacknowledged",
        priority="medium",
        since=spells_off[0].start,
        until=spells_off[-1].stop if over else None,
        summary=f"the power of the {array} array comes {hours} {side} the sun {when}{again}{kept}",
        evidence={
            "noon_shift_min": round(shift, 1),
            "array": array,
            "spells": dates,
            "with_civil_clock": last.zone is not None,
        },
        causes=_with_remedy(rank(RULE, {}, CAUSES), _remedy(source, shift, last)),
    )


def _written(date: str) -> str:
    day = dt.date.fromisoformat(date)
    return f"{day.day} {day:%B %Y}"


def _remedy(source: Source, shift: float, last: Off) -> str:
    if last.zone is None:
        return f"{_compare(source, shift)} Until then those days are not judged."
    standard = _standard(last.zone, last.start)
    wanted = last.zone if last.keeps_summer_time else _offset(standard + (0 if last.summer else 60))
    return (
        f'Write zone = "{wanted}" into time of source {source.name!r} in the settings, import the file again, assess. '
        f"{_OWN_OFFSET} Until then those days are not judged."
    )


def _compare(source: Source, shift: float) -> str:
    given = source.time.zone if source.time else "UTC"
    fits = _fitting(given, shift)
    return (
        f"Compare the clock behind the stamps with a watch, and with time of source {source.name!r} in the settings"
        + (f': stamps that are read as zone = "{given}" fit zone = "{fits}"' if fits else "")
        + f". Then look at longitude. {_OWN_OFFSET}"
    )


def _fitting(given: str, shift: float) -> str | None:
    """The fixed offset in which stamps that come so late [min] would come right; None where no whole hour would."""
    offset = _minutes(dt.datetime(2000, 1, 1, tzinfo=zone(given)))
    whole = round(shift / 60)
    near = whole != 0 and abs(shift - 60 * whole) <= _WHOLE_MIN and abs(offset + 60 * whole) <= 14 * 60
    return _offset(offset + 60 * whole) if near else None


def _standard(timezone: str, at: int) -> int:
    """The zone's standard time, east of Greenwich [min]."""
    year = dt.datetime.fromtimestamp(at / 1000, dt.UTC).year
    moments = [dt.datetime(year, month, 1, tzinfo=zone(timezone)) for month in (1, 7)]
    return _minutes(next((m for m in moments if not m.dst()), moments[0]))


def _minutes(moment: dt.datetime) -> int:
    return round((moment.utcoffset() or dt.timedelta()).total_seconds() / 60)


def _offset(minutes: int) -> str:
    """As the settings write a fixed offset."""
    sign, hours, rest = "+" if minutes >= 0 else "-", abs(minutes) // 60, abs(minutes) % 60
    return f"UTC{sign}{hours}" + (f":{rest:02d}" if rest else "")


def _with_remedy(causes: tuple[Cause, ...], check: str) -> tuple[Cause, ...]:
    return tuple(replace(c, next_check=check) if c.cause == "clock-or-position" else c for c in causes)
