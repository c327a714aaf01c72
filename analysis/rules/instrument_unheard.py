"""Instruments fell silent in daylight while the rest of the record went on: an array's, or a part of a source."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.causes import CAUSES
from analysis.diagnosis import rank
from analysis.findings import History
from analysis.results import Finding, StateRun
from analysis.sources import channels_of_part, gives_power_of, source_of, speaks_for, subject_of
from analysis.sun import DAY_MS, Place, SunPath, day_start, solar_day
from logger.parts import HEARD, UNHEARD, named_in
from logger.settings import Source

RULE = "instrument-unheard"
_LEAST_MS = 60 * 60_000
_JOIN_MS = 10 * 60_000
# Of a broker's topic, which may say no more than what has changed. Common practice, no source.
_SELDOM_MS = 6 * 3_600_000


def found(history: History) -> list[Finding]:
    """One finding for each silence of an hour of daylight and more, nights between silences counted as one."""
    parts = _silent_parts(history)
    findings = [finding for silent in parts if (finding := _of_part(silent, history))]
    for name in sorted(name for name in {s.array for s in history.states} if gives_power_of(history.settings, name)):
        for runs in _silences(history, name):
            if not any(_is_told(silent, name, runs, history) for silent in parts):
                findings.append(_finding(name, runs, history))
    return findings


# -- parts of sources ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Silent:
    """A part of a source, as a unit on a bus, while others of it spoke; until UTC [ms], None where it still lasts."""

    source: Source
    part: str
    since: int
    until: int | None

    @property
    def channels(self) -> list[str]:
        return channels_of_part(self.source, self.part)


def _silent_parts(history: History) -> list[_Silent]:
    """What the logger said of parts that fell silent and were heard again, of those that are still in the settings."""
    sources = {source.name: source for source in history.settings.source}
    open_since: dict[tuple[str, str], int] = {}
    silent: list[_Silent] = []
    for event in sorted(history.events, key=lambda event: event.t):
        if event.kind not in (UNHEARD, HEARD) or event.source not in sources:
            continue
        key = (event.source, named_in(event.text))
        if event.kind == UNHEARD:
            open_since.setdefault(key, event.t)
        elif key in open_since:
            silent.append(_Silent(sources[event.source], key[1], open_since.pop(key), event.t))
    silent += [_Silent(sources[name], part, since, None) for (name, part), since in open_since.items()]
    return [one for one in silent if one.channels]


def _of_part(silent: _Silent, history: History) -> Finding | None:
    least = _SELDOM_MS if silent.source.kind == "mqtt" else _LEAST_MS
    until = history.stop if silent.until is None else silent.until
    if until - silent.since < least or _daylight_ms(silent.since, until, history) < least:
        return None
    return Finding(
        rule=RULE,
        subject=subject_of(silent.channels, silent.source.name),
        state="unacknowledged" if silent.until is None else "returned",
        priority="medium",
        since=silent.since,
        until=silent.until,
        summary=f"nothing was heard of {silent.part} of {silent.source.name} while others of it spoke",
        evidence={"source": silent.source.name, "part": silent.part, "channels": silent.channels},
        causes=rank(RULE, {}, CAUSES),
    )


def _daylight_ms(start: int, stop: int, history: History) -> int:
    """Daylight between two times, as far as it matters here; where the sun does not set or rise all of it counts."""
    site, light = history.settings.site, 0
    place = Place(site.latitude, site.longitude, site.elevation)
    day = day_start(solar_day(start, site.longitude), site.longitude)
    while day < stop and light < _SELDOM_MS:
        first, _, last = SunPath(day, day + DAY_MS, place).light_of_day(day)
        begin, end = (first, last) if first is not None and last is not None else (day, day + DAY_MS)
        light += max(0, min(stop, end) - max(start, begin))
        day += DAY_MS
    return light


def _is_told(silent: _Silent, array: str, runs: list[StateRun], history: History) -> bool:
    """Whether an array is silent because a part of a source is, which says more."""
    speaks = any(speaks_for(history.settings, channel, array) for channel in silent.channels)
    until = history.stop if silent.until is None else silent.until
    return speaks and silent.since < runs[-1].stop and runs[0].start < until


# -- arrays -------------------------------------------------------------------------------------------------------


def _silences(history: History, name: str) -> list[list[StateRun]]:
    silences: list[list[StateRun]] = []
    joined = False
    for run in (r for r in history.states if r.array == name and r.state != "night"):
        if run.state == "unheard":
            if joined:
                silences[-1].append(run)
            else:
                silences.append([run])
        joined = run.state == "unheard" or (joined and run.stop - run.start < _JOIN_MS)
    return [runs for runs in silences if sum(r.stop - r.start for r in runs) >= _LEAST_MS]


def _finding(name: str, runs: list[StateRun], history: History) -> Finding:
    last = runs[-1]
    heard_again = any(
        r.array == name and r.start >= last.stop and r.state not in ("night", "unheard") for r in history.states
    )
    minutes = sum(r.stop - r.start for r in runs) / 60_000
    return Finding(
        rule=RULE,
        subject=source_of(history.settings, name),
        state="returned" if heard_again else "unacknowledged",
        priority="medium",
        since=runs[0].start,
        until=last.stop if heard_again else None,
        summary=f"nothing was heard of {name} for {minutes / 60:.1f} hours of daylight",
        evidence={"array": name, "daylight_minutes": round(minutes)},
        causes=rank(RULE, {}, CAUSES),
    )
