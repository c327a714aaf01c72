"""Instruments fell silent in daylight while the rest of the record went on: an array's, or a part of a source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

from analysis.causes import CAUSES
from analysis.diagnosis import rank
from analysis.file_clocks import source_of_power
from analysis.findings import History
from analysis.results import Cause, Finding, StateRun
from analysis.sources import channels_of_part, gives_power_of, source_of, speaks_for, subject_of
from analysis.sun import DAY_MS, Place, SunPath, day_start, solar_day
from logger.parts import HEARD, UNHEARD, named_in
from logger.settings import Settings, Source

RULE = "instrument-unheard"
_LEAST_MS = 60 * 60_000
_JOIN_MS = 10 * 60_000
# At the same end of so many days, none of them further from the last: a habit, no accident; common practice, no source.
_RECURS, _RECURS_WITHIN_MS = 3, round(2.5 * DAY_MS)
# Of a broker's topic, which may say no more than what has changed. Common practice, no source.
_SELDOM_MS = 6 * 3_600_000
_HARDLY = 0.02


def found(history: History) -> list[Finding]:
    """One finding for each silence of an hour of daylight and more, nights between silences counted as one; one for
    all silences at the same end of each day."""
    parts = _silent_parts(history)
    findings = [finding for silent in parts if (finding := _of_part(silent, history))]
    names = sorted(n for n in {s.array for s in history.states} if gives_power_of(history.settings, n))
    silences = {name: _silences(history, name) for name in names}
    for name, mine in silences.items():
        untold = [s for s in mine if not any(_is_told(silent, name, s.runs, history) for silent in parts)]
        for alike in _at_one_end(untold):
            findings.append(_finding(name, alike, silences, history))
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

MORNING, EVENING, BOTH = "morning", "evening", "evening and morning"
_WHEN = {MORNING: "each morning", EVENING: "each evening", BOTH: "each evening and morning", None: ""}


@dataclass(frozen=True, slots=True)
class _Silence:
    """Runs in which an array was not heard, and the end of the day's light at which alone they lie, if at one."""

    runs: list[StateRun]
    end: str | None

    @property
    def start(self) -> int:
        return self.runs[0].start

    @property
    def stop(self) -> int:
        return self.runs[-1].stop

    @property
    def minutes(self) -> float:
        return sum(r.stop - r.start for r in self.runs) / 60_000


def _silences(history: History, name: str) -> list[_Silence]:
    mine = [r for r in history.states if r.array == name and r.state != "night"]
    found: list[list[StateRun]] = []
    joined = False
    for run in mine:
        if run.state == "unheard":
            if joined:
                found[-1].append(run)
            else:
                found.append([run])
        joined = run.state == "unheard" or (joined and run.stop - run.start < _JOIN_MS)
    long = [runs for runs in found if sum(r.stop - r.start for r in runs) >= _LEAST_MS]
    # Days of a record before an array's first word, as of a weather series that begins before it: it was not there yet.
    if long and long[0][0] is mine[0] and long[0][-1] is not mine[-1] and long[0][-1].stop - mine[0].start > DAY_MS:
        del long[0]
    return [_Silence(runs, _end_of_day(runs, mine)) for runs in long]


def _end_of_day(runs: list[StateRun], mine: list[StateRun]) -> str | None:
    """Whether a silence lies between a night and the first word, between the last word and a night, or about one."""
    before = max((r.stop for r in mine if r.stop <= runs[0].start), default=None)
    after = min((r.start for r in mine if r.start >= runs[-1].stop), default=None)
    # Minutes too dim to judge by make a gap as a night does, and a short one.
    from_night = before is None or runs[0].start - before > _LEAST_MS
    into_night = after is None or after - runs[-1].stop > _LEAST_MS
    nights = sum(later.start - earlier.stop > _LEAST_MS for earlier, later in pairwise(runs))
    if nights:
        return BOTH if nights == 1 and not from_night and not into_night else None
    return None if from_night == into_night else MORNING if from_night else EVENING


def _at_one_end(silences: list[_Silence]) -> list[list[_Silence]]:
    """Silences that recur at one end of the day together, each other one by itself."""
    groups: list[list[_Silence]] = []
    for silence in silences:
        last = next((g for g in reversed(groups) if g[-1].end == silence.end), None)
        if silence.end and last and silence.start - last[-1].start < _RECURS_WITHIN_MS:
            last.append(silence)
        else:
            groups.append([silence])
    apart: list[list[_Silence]] = []
    for group in groups:
        apart += [group] if len(group) >= _RECURS else [[one] for one in group]
    return sorted(apart, key=lambda group: group[0].start)


def _finding(name: str, alike: list[_Silence], silences: Mapping[str, list[_Silence]], history: History) -> Finding:
    first, last = alike[0], alike[-1]
    each_day = len(alike) >= _RECURS
    heard_again = any(
        r.array == name and r.start >= last.stop and r.state not in ("night", "unheard") for r in history.states
    )
    # What recurs is over once it has not come again for as long as two may lie apart.
    over = history.stop - last.stop > _RECURS_WITHIN_MS if each_day else heard_again
    hours = sum(s.minutes for s in alike) / 60
    evidence = {"array": name, "daylight_minutes": round(60 * hours)}
    if each_day:
        evidence |= {"each_day": first.end, "silent_days": len(alike)}
        each = f"{hours / len(alike):.1f} hours each"
        words = f"nothing was heard of the {name} array {_WHEN[first.end]} of {len(alike)} days, {each}"
    else:
        words = f"nothing was heard of the {name} array for {hours:.1f} hours of daylight"
    return Finding(
        rule=RULE,
        subject=source_of(history.settings, name),
        state="returned" if over else "unacknowledged",
        priority="medium",
        since=first.start,
        until=last.stop if over else None,
        summary=words,
        evidence=evidence,
        causes=_for_files(rank(RULE, _features(name, alike, silences, history), CAUSES), name, history.settings),
    )


def _for_files(causes: tuple[Cause, ...], name: str, settings: Settings) -> tuple[Cause, ...]:
    """What to look at first where no line is listened to: how the settings read the file."""
    source = source_of_power(settings, name)
    if source is None:
        return causes
    check = (
        f"Compare the columns and time of source {source.name!r} in the settings with the file: rows that each stand "
        "for an hour, or for a day, need label and interval_s. Nothing need be opened."
    )
    return tuple(replace(c, next_check=check) if c.cause == "wrong-setting" else c for c in causes)


def _features(
    name: str, alike: list[_Silence], silences: Mapping[str, list[_Silence]], history: History
) -> dict[str, float]:
    """What parts a plug from a wrong key of the settings and from a wrong clock."""
    first = alike[0]
    mine = [(r.state, r.stop - r.start) for r in history.states if r.array == name and r.state != "night"]
    heard = sum(length for state, length in mine if state != "unheard")
    # A word now and then between whole days of silence is none.
    never = heard < _HARDLY * sum(length for _, length in mine)
    features = {"each_day": float(len(alike) >= _RECURS), "never": float(never)}
    others = [other for other in silences if other != name]
    if others:
        features["alike"] = sum(
            any(s.start < first.stop and s.stop > first.start for s in silences[other]) for other in others
        ) / len(others)
    if features["each_day"]:
        other_end = sum(s.end is not None and s.end != first.end for s in silences[name])
        features["both_ends"] = 1.0 if first.end == BOTH else min(other_end / len(alike), 1.0)
    return features
