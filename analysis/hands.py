"""Owns what stands still while somebody has hands in a part: whose readings, whose state, whose findings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from analysis.frames import Pieces, Stretch
from analysis.results import Finding
from logger.hands_on import HandsOn
from logger.settings import Settings

OUT_OF_SERVICE = "out-of-service"
# An instrument that was parted is heard again a little after the hands are out; common practice, no source.
_SETTLING_MS = 10 * 60_000


def reach(subject: str, settings: Settings) -> set[str]:
    """The subjects that hands in one of them put out of service, itself among them.

    A run goes with what it carries and that with its run; an array with its controller, whose plugs it hangs on; a fan
    with its box; arrays and controllers with their bank. A source goes where all that it says is about these.
    """
    found = {subject}
    kind, _, name = subject.partition(".")
    if kind == "cable":
        found |= {c.carries for c in settings.cable if c.name == name}
    if kind == "bank":
        found |= {f"controller.{c.name}" for c in settings.controller}
    found |= {f"array.{a.name}" for a in settings.array if f"controller.{a.controller}" in found}
    found |= {f"fan.{f.name}" for f in settings.fan if f"enclosure.{f.enclosure}" in found}
    found |= {f"cable.{c.name}" for c in settings.cable if c.carries in found}
    for source in settings.source:
        said = [c.channel for c in source.channel]
        if said and all(_is_of(channel, found) for channel in said):
            found.add(f"source.{source.name}")
    return found


def _is_of(channel: str, subjects: set[str]) -> bool:
    kind, name, *_ = channel.split(".")
    return f"{kind}.{name}" in subjects or (kind == "irradiance" and f"array.{name}" in subjects)


def left_out(stretch: Stretch, work: Sequence[HandsOn], settings: Settings) -> Stretch:
    """The record without what was said by parts while hands were in them."""
    for one in work:
        subjects = reach(one.subject, settings)
        sources = {c.channel for s in settings.source if f"source.{s.name}" in subjects for c in s.channel}
        mine = [c for c in stretch.channels() if c in sources or _is_of(c, subjects)]
        stretch = stretch.with_pieces({channel: _without(stretch[channel], one) for channel in mine})
    return stretch


def _without(pieces: Pieces, work: HandsOn) -> Pieces:
    free = (pieces.start >= work.stop) | (pieces.start + pieces.length <= work.start)
    return Pieces(pieces.start[free], pieces.length[free], pieces.value[free])


def stretches(subject: str, work: Sequence[HandsOn], settings: Settings) -> list[tuple[int, int]]:
    """When hands were in a part, or in one that it hangs on: from, to, UTC [ms]."""
    return [(one.start, one.stop) for one in work if subject in reach(one.subject, settings)]


def at_rest(findings: Sequence[Finding], work: Sequence[HandsOn], settings: Settings, now: int) -> list[Finding]:
    """The findings, without what came and went while hands were in its part; those with hands in it now rest.

    Parameters
    ----------
    now : int
        UTC [ms].
    """
    reached = [(one, reach(one.subject, settings)) for one in work]
    kept = []
    for finding in findings:
        mine = [one for one, subjects in reached if finding.subject in subjects]
        if any(_within(finding, one) for one in mine):
            continue
        resting = finding.is_open and any(one.start <= now < one.stop for one in mine)
        kept.append(replace(finding, state=OUT_OF_SERVICE) if resting else finding)
    return kept


def _within(finding: Finding, work: HandsOn) -> bool:
    return finding.until is not None and work.start <= finding.since and finding.until <= work.stop + _SETTLING_MS
