"""Owns which source a kind in the settings stands for. Adding one is one line here and one file beside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from logger.clock import Clock
from logger.collector import LiveSource
from logger.plan import SourcePlan
from logger.protocols import Decoder, Source
from logger.sources.serial_line import SerialLine
from logger.timeline import Timeline


@dataclass(frozen=True, slots=True)
class Setting:
    """What a source finds around it.

    Attributes
    ----------
    clock : Clock
        For every wait.
    timeline : Timeline
        For every time.
    decoder : callable
        Makes the decoder that a plan names.
    last_seen : dict of str to int
        When each source was last heard, by any earlier session [ms UTC].
    """

    clock: Clock
    timeline: Timeline
    decoder: Callable[[SourcePlan], Decoder]
    last_seen: dict[str, int]


def _serial(plan: SourcePlan, setting: Setting) -> Source:
    return LiveSource(
        plan,
        SerialLine(plan),
        setting.decoder(plan),
        setting.clock,
        setting.timeline,
        last_heard=setting.last_seen.get(plan.name),
    )


KINDS: dict[str, Callable[[SourcePlan, Setting], Source]] = {
    "serial": _serial,
}


def make(plans: tuple[SourcePlan, ...], setting: Setting) -> list[tuple[str, Source]]:
    """The sources of these plans, by name; kinds that are not read by the logger are left out."""
    return [(plan.name, KINDS[plan.kind](plan, setting)) for plan in plans if plan.kind in KINDS]
