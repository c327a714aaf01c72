"""The store was damaged or full, could not be written for long, readings had to go, or old days are not archived."""

from __future__ import annotations

from analysis.findings import History, StoreEvent
from analysis.results import Finding
from logger.trouble import DAMAGED, FULL_DISK, LOST, RESTORED, SALVAGED, SEALED_AGAIN, STORE_TROUBLE, UNSEALED

RULE = "record-trouble"
SUBJECT = "store"

# A store that another program held for a moment has lost nothing and is nobody's business.
_LEAST_MS = 10 * 60_000
# One night without the archive costs nothing but room.
_LEAST_UNSEALED_MS = 86_400_000
# Whoever comes back after days should still be told of a loss. Common practice, no source.
_TOLD_FOR_MS = 7 * 86_400_000

_WORDS = {
    DAMAGED: "the store was damaged, and a fresh one was begun",
    FULL_DISK: "the disk was full",
    STORE_TROUBLE: "the store could not be written",
    LOST: "readings had to go before they could be written",
}


def found(history: History) -> list[Finding]:
    """One finding for each trouble that lost something, or lasted: what was said of it until it was over."""
    store = [finding for told in _troubles(history) if (finding := _finding(told, history.stop))]
    return [*store, *_unsealed(history)]


def _unsealed(history: History) -> list[Finding]:
    """One for each stretch of days over which the archive failed."""
    found: list[Finding] = []
    began: StoreEvent | None = None
    events = sorted((e for e in history.events if e.kind in (UNSEALED, SEALED_AGAIN)), key=lambda event: event.t)
    for event in [*events, None]:
        if event is not None and event.kind == UNSEALED:
            began = began or event
            continue
        if began is not None:
            until = event.t if event is not None else None
            if (history.stop if until is None else until) - began.t >= _LEAST_UNSEALED_MS:
                found.append(_not_archived(began, until))
            began = None
    return found


def _not_archived(began: StoreEvent, until: int | None) -> Finding:
    return Finding(
        rule=RULE,
        subject=SUBJECT,
        state="unacknowledged" if until is None else "returned",
        priority="low",
        since=began.t,
        until=until,
        summary="the nightly archive fails; what it cannot seal stays in the store, which grows",
        evidence={"events": [f"{began.kind}: {began.text}"]},
        causes=(),
    )


def _troubles(history: History) -> list[list[StoreEvent]]:
    """Events of the store in the order of time, from the beginning of each trouble to the next one's."""
    troubles: list[list[StoreEvent]] = []
    kinds = (DAMAGED, FULL_DISK, STORE_TROUBLE, LOST, RESTORED, SALVAGED)
    for event in sorted((e for e in history.events if e.source is None and e.kind in kinds), key=lambda event: event.t):
        opens = event.kind in (DAMAGED, FULL_DISK, STORE_TROUBLE)
        if (opens and not (troubles and _lasts(troubles[-1]))) or not troubles:
            troubles.append([])
        troubles[-1].append(event)
    return troubles


def _lasts(told: list[StoreEvent]) -> bool:
    """Whether a trouble is not over yet by what was said of it so far."""
    kinds = {event.kind for event in told}
    return bool(kinds & {FULL_DISK, STORE_TROUBLE}) and RESTORED not in kinds


def _finding(told: list[StoreEvent], stop: int) -> Finding | None:
    kinds = [event.kind for event in told]
    main = next((kind for kind in (DAMAGED, FULL_DISK, STORE_TROUBLE, LOST) if kind in kinds), None)
    if main is None:
        return None
    since, over = told[0].t, max(event.t for event in told)
    costs = DAMAGED in kinds or LOST in kinds
    lasts = _lasts(told)
    if not costs and not lasts and over - since < _LEAST_MS:
        return None
    until = over + _TOLD_FOR_MS if costs else over
    is_open = lasts or until > stop
    return Finding(
        rule=RULE,
        subject=SUBJECT,
        state="unacknowledged" if is_open else "returned",
        priority="medium" if costs or lasts else "low",
        since=since,
        until=None if is_open else until,
        summary="; ".join([_WORDS[main], *(event.text for event in told if event.kind in (LOST, SALVAGED))]),
        evidence={"events": [f"{event.kind}: {event.text}" for event in told]},
        causes=(),
    )
