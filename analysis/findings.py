"""Owns the life of a finding: raised after a delay, cleared past a deadband, folded into one that explains it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Generic, Protocol, TypeVar

from analysis.counted import CounterDay
from analysis.results import (
    ArrayDay,
    BankDay,
    EnclosureEstimate,
    Finding,
    LightDay,
    LoopEstimate,
    Note,
    StateRun,
    TwinDay,
)
from logger.hands_on import HandsOn
from logger.settings import Settings

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class StoreEvent:
    """Something that befell the store itself, or a source; time UTC [ms], kind and words as the logger gave them."""

    t: int
    kind: str
    text: str
    source: str | None = None


@dataclass(frozen=True, slots=True)
class History:
    """All results that rules look at, in the order of time, and the settings in force at their end."""

    settings: Settings
    array_days: Sequence[ArrayDay]
    loops: Sequence[LoopEstimate]
    enclosures: Sequence[EnclosureEstimate]
    bank_days: Sequence[BankDay]
    states: Sequence[StateRun]
    stop: int
    events: Sequence[StoreEvent] = ()
    light_days: Sequence[LightDay] = ()
    twin_days: Sequence[TwinDay] = ()
    notes: Sequence[Note] = ()
    counters: Sequence[CounterDay] = ()
    work: Sequence[HandsOn] = ()
    """Stretches in which hands were in a part, all of them."""
    changes: Mapping[str, Sequence[int]] = field(default_factory=dict)
    """Subject, as ``array.cabin``, to the moments at which it changed physically, UTC [ms]."""


class Judged(Protocol):
    """Whatever was judged over a stretch that starts somewhen."""

    @property
    def start(self) -> int: ...


J = TypeVar("J", bound=Judged)


def between_changes(items: Sequence[J], changes: Sequence[int]) -> list[tuple[list[J], int | None]]:
    """Items before, between and after the changes of their subject, each stretch with the change that ended it.

    Each stretch has its own baseline, and its own spells: what was found before a change ends with it, and what is
    still wrong after it is found anew.
    """
    ends = [*sorted(changes), None]
    starts = [None, *sorted(changes)]
    return [
        ([i for i in items if (start is None or i.start >= start) and (end is None or i.start < end)], end)
        for start, end in zip(starts, ends, strict=True)
    ]


@dataclass(frozen=True, slots=True)
class Spell(Generic[T]):
    """A stretch over which a symptom held: what showed it, and where it ended if it did."""

    shown: tuple[T, ...]
    returned: T | None


def spells(
    items: Iterable[T],
    bad: Callable[[T], bool],
    well: Callable[[T], bool],
    *,
    to_raise: int = 2,
    to_clear: int = 2,
    at_once: Callable[[T], bool] = lambda _: False,
) -> list[Spell[T]]:
    """Stretches in which a symptom held, with delay and deadband.

    Parameters
    ----------
    items : iterable
        Judged moments in the order of time.
    bad, well : callable
        Beyond the limit; back inside it by the deadband. Between the two nothing changes.
    to_raise, to_clear : int
        How many bad, or well, in a row raise, or clear.
    at_once : callable
        So bad that no delay is wanted.
    """
    found: list[Spell[T]] = []
    shown: list[T] = []
    good: list[T] = []
    raised = False
    for item in items:
        if bad(item):
            shown.append(item)
            good = []
            raised = raised or len(shown) >= to_raise or at_once(item)
        elif well(item):
            good.append(item)
            if not raised:
                shown = []
            elif len(good) >= to_clear:
                found.append(Spell(tuple(shown), good[0]))
                shown, good, raised = [], [], False
    if raised:
        found.append(Spell(tuple(shown), None))
    return found


def fold(findings: Sequence[Finding], settings: Settings) -> list[Finding]:
    """Take out findings that another one explains, and note them in its evidence.

    A box over its limit is the fan's, while the fan does nothing; a shortfall is the cable's, where the watts lost in
    the cable make up most of it, or the light sensor's, where that says as much too much.
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
    name = finding.subject.partition(".")[2]
    if finding.rule == "enclosure-over-temperature" and reason.rule == "fan-ineffective":
        return any(f"fan.{fan.name}" == reason.subject and fan.enclosure == name for fan in settings.fan)
    if finding.rule == "yield-shortfall" and reason.rule == "sensor-suspect":
        # A sensor that says too much makes every array look short by as much.
        lost = finding.evidence.get("lost_fraction") or 1.0
        return float(reason.evidence.get("gain", 1.0)) * (1.0 - lost) > 0.95
    if finding.rule == "yield-shortfall" and reason.rule == "loop-resistance":
        cable = next((c for c in settings.cable if c.carries == f"array.{name}"), None)
        lost = finding.evidence.get("lost_fraction") or 1.0
        in_cable = (reason.evidence.get("drop_percent") or 0.0) / 100.0
        return cable is not None and reason.subject == f"cable.{cable.name}" and in_cable > 0.5 * lost
    return False


def _overlap(one: Finding, other: Finding) -> bool:
    return (one.until is None or one.until > other.since) and (other.until is None or other.until > one.since)
