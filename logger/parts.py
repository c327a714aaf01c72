"""Owns the parts of a source, units of a bus, sensors, topics: which of them is silent while the others speak."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import NamedTuple

from logger.messages import topic_field
from logger.plan import SourcePlan
from logger.readings import Record

UNHEARD, HEARD = "part unheard", "part heard again"
"""Kinds of event. Their texts begin with the part and a colon; the second ends the first, in a later session too."""
LEAST_MS = 600_000
"""Silence that is told at the earliest; common practice, no source."""
MOST_MS = 7_200_000
"""Silence after which a part was away, and does not merely speak seldom; common practice, no source."""
_LOOK_MS = 5_000


def part_of(kind: str, field: object, node: int | None) -> str | None:
    """The part of a source that feeds a channel; None where all of it speaks with one voice.

    Parameters
    ----------
    kind : str
        Of the source.
    field : object
        Of the channel, as the settings spell it.
    node : int or None
        Number of its unit on a bus.
    """
    if kind == "modbus":
        return f"node {node}"
    if kind == "onewire":
        return f"sensor {field}"
    return f"topic {topic_field(str(field)).topic}" if kind == "mqtt" else None


def named_in(text: str) -> str:
    """The part that an event's text speaks of. A topic may hold a colon, but none with a blank behind it."""
    return text.partition(": ")[0]


class Told(NamedTuple):
    """An event of a part: from when on [ms], its kind and its text."""

    t: int
    kind: str
    text: str


class Silences:
    """Of one source. What speaks seldom is told a time or two, and then given the time that it takes.

    Parameters
    ----------
    plan : SourcePlan
    silent : collection of str
        Parts that an earlier session left silent.
    """

    def __init__(self, plan: SourcePlan, silent: Collection[str] = ()) -> None:
        # A word may be published when it changes, and no sooner.
        parts = {
            channel.channel: part
            for channel in plan.channels
            if not channel.is_text
            and (part := part_of(plan.kind, channel.field, channel.register.node if channel.register else None))
        }
        alone = len(set(parts.values())) < 2  # its silence is the source's
        self._parts = {} if alone else parts
        least = max(LEAST_MS, int(plan.unheard_after_s * 1000), int(3 * plan.every_s * 1000))
        self._patience = dict.fromkeys(self._parts.values(), least)
        self._silent = {part for part in silent if part in self._patience}
        self._last: dict[str, int] = {}
        self._since = self._looked = 0

    def resumed(self, t: int) -> None:
        """The source speaks again, after a silence of all of it [ms]: each part gets its time anew."""
        self._since = t

    def heard(self, t: int, records: Iterable[Record]) -> list[Told]:
        """Note who speaks; those of whom that is news."""
        if not self._parts:
            return []
        told = []
        speaking = {self._parts[name] for record in records for name, _ in record.readings if name in self._parts}
        for part in sorted(speaking & self._silent):
            quiet = t - max(self._last.get(part, 0), self._since)
            if quiet < MOST_MS:
                self._patience[part] = max(self._patience[part], 2 * quiet)
            told.append(
                Told(t, HEARD, f"{part}: heard again" + (f" after {quiet / 1000:.0f} s" if part in self._last else ""))
            )
        self._silent -= speaking
        self._last.update(dict.fromkeys(speaking, t))
        return told

    def fallen(self, now: int) -> list[Told]:
        """While the source speaks: the parts that have fallen silent, each from when on [ms]."""
        if now - self._looked < _LOOK_MS or not self._parts:
            return []
        self._looked = now
        told = []
        for part, patience in self._patience.items():
            since = max(self._last.get(part, 0), self._since)
            if part not in self._silent and now - since > patience:
                self._silent.add(part)
                text = f"{part}: nothing for {(now - since) / 1000:.0f} s while others of its source speak"
                told.append(Told(since, UNHEARD, text))
        return told
