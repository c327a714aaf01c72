"""Owns the life of a finding: raised after a delay, cleared past a deadband. `folding` folds it into another."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Generic, Protocol, TypeVar

from analysis.counted import CounterDay
from analysis.results import (
    ArrayDay,
    BankDay,
    EnclosureEstimate,
    LoopEstimate,
    Note,
    StateRun,
    TwinDay,
)
from analysis.results_alike import AlikeDay
from analysis.results_boxes import BoxSpell
from analysis.results_light import FacingDay, LightDay
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
    facing_days: Sequence[FacingDay] = ()
    alike_days: Sequence[AlikeDay] = ()
    box_spells: Sequence[BoxSpell] = ()
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
