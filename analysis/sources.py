"""Owns what a source of the settings speaks for: the things whose channels it feeds."""

from __future__ import annotations

from collections.abc import Sequence

from logger.parts import part_of
from logger.settings import Settings, Source

# Most telling first: who hears nothing of a controller hears nothing of its array either.
_OF_POWER = ("voltage", "current", "power", "day_energy", "stage")
_KINDS = ("controller", "bank", "enclosure", "fan", "array", "load", "wind", "dump")


def subject_of(channels: Sequence[str], source: str) -> str:
    """The thing of the settings for which channels speak; the source itself, where they speak for none.

    Parameters
    ----------
    channels : sequence of str
        Their names.
    source : str
        Name of the source that feeds them.
    """
    things = [channel.rpartition(".")[0] for channel in channels]
    for kind in _KINDS:
        named = sorted({thing for thing in things if thing.partition(".")[0] == kind})
        if len(named) == 1:
            return named[0]
        if named:
            break
    return f"source.{source}"


def channels_of_part(source: Source, part: str) -> list[str]:
    """The channels that a part of a source feeds, as `logger.parts` names parts."""
    return [c.channel for c in source.channel if part_of(source.kind, c.field, c.node) == part]


def source_of(settings: Settings, array: str) -> str:
    """The source that speaks for an array: a live line before a file; the array itself where none is named."""
    speaking = [s for s in settings.source if any(speaks_for(settings, c.channel, array) for c in s.channel)]
    speaking.sort(key=lambda s: s.kind == "csv")
    return f"source.{speaking[0].name}" if speaking else f"array.{array}"


def gives_power_of(settings: Settings, array: str) -> bool:
    """Whether a source feeds anything that tells an array's power; true where the settings name no source at all, for
    then nobody knows what the record should hold."""
    told = [c.channel for s in settings.source for c in s.channel if speaks_for(settings, c.channel, array)]
    return not settings.source or any(c.rpartition(".")[2].endswith(_OF_POWER) for c in told)


def speaks_for(settings: Settings, channel: str, array: str) -> bool:
    """Whether a channel is an array's, or its controller's."""
    controller = next((a.controller for a in settings.array if a.name == array), None)
    return channel.startswith((f"array.{array}.", f"controller.{controller}."))
