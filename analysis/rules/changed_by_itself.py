"""An instrument was restarted or updated: what it does since then is to be looked at with fresh eyes."""

from __future__ import annotations

from collections.abc import Iterable

from analysis.findings import History, StoreEvent
from analysis.results import Finding
from analysis.sources import subject_of
from analysis.sun import DAY_MS
from logger.restarts import KIND
from logger.settings import Settings

RULE = "changed-by-itself"
# Its set points, stages and scale show over some charging days whether they are what they were; common practice, no
# source. No delay: each event is a fact.
_WATCHED_MS = 3 * DAY_MS


def found(history: History) -> list[Finding]:
    """One finding for each restart of an instrument; those that follow one another closely are one."""
    by_subject: dict[str, list[StoreEvent]] = {}
    for event in history.events:
        if event.kind == KIND and (subject := _subject(event, history.settings)):
            by_subject.setdefault(subject, []).append(event)
    return [_finding(subject, told, history.stop) for subject, events in by_subject.items() for told in _spells(events)]


def _subject(event: StoreEvent, settings: Settings) -> str | None:
    """What the event speaks of: the controller whose counter or version it names, else all that the source feeds."""
    source = next((s for s in settings.source if s.name == event.source), None)
    if source is None:
        return None
    channels = [channel.channel for channel in source.channel]
    return subject_of([c for c in channels if f"{c} " in event.text] or channels, source.name)


def _spells(events: Iterable[StoreEvent]) -> list[list[StoreEvent]]:
    spells: list[list[StoreEvent]] = []
    for event in sorted(events, key=lambda event: event.t):
        if spells and event.t - spells[-1][-1].t < _WATCHED_MS:
            spells[-1].append(event)
        else:
            spells.append([event])
    return spells


def _finding(subject: str, told: list[StoreEvent], stop: int) -> Finding:
    until = told[-1].t + _WATCHED_MS
    times = "once" if len(told) == 1 else f"{len(told)} times"
    return Finding(
        rule=RULE,
        subject=subject,
        state="unacknowledged" if until > stop else "returned",
        priority="low",
        since=told[0].t,
        until=None if until > stop else until,
        summary=f"restarted or updated {times}: {told[-1].text}",
        evidence={"events": [event.text for event in told]},
        causes=(),
    )
