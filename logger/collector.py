"""Owns listening to a live line: quiet while it is away, honest about every silence."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Sequence
from threading import Event

from logger.batches import EventBatch, LiveBatch
from logger.clock import Clock
from logger.doubts import Doubts
from logger.earlier import Earlier
from logger.errors import LineFault, LineInUse
from logger.parts import Silences, Told
from logger.plan import SourcePlan
from logger.protocols import Decoder, Emit, Line
from logger.readings import Item, Record, Reject, Remark, TimeEvidence
from logger.restarts import KIND as RESTARTED
from logger.restarts import Restarts
from logger.timeline import Timeline

log = logging.getLogger("noonmark.logger")

WAITING, READING, UNHEARD, FAILING = "waiting", "reading", "unheard", "failing"
LEAST_WAIT_S = 0.1
FIRST_WAIT_S = 0.5
AWAY_S = 5.0
IN_USE_S = 10.0
FAILING_AFTER = 10
KEPT_A_MINUTE = 10
"""Rejects of one reason that are kept with their bytes; all are counted."""
TRUST_AGAIN = 5
"""Messages in a row that must fit before a line on which another source's device spoke is believed again."""
NOT_ITS_OWN = "another source's device is on this line"


class Backoff:
    """Waits that double, up to 5 s while the line is away and 10 s while another program holds it."""

    def __init__(self) -> None:
        self._next = FIRST_WAIT_S

    def after(self, fault: LineFault) -> float:
        wait = min(self._next, IN_USE_S if isinstance(fault, LineInUse) else AWAY_S)
        self._next = min(2 * self._next, IN_USE_S)
        return wait

    def reset(self) -> None:
        self._next = FIRST_WAIT_S


class Sieve:
    """Which rejects are kept with their bytes: so many of a reason each minute, for a line may send nothing else."""

    def __init__(self) -> None:
        self._minute = 0
        self._kept: dict[str, int] = {}

    def keeps(self, t: int, reason: str) -> bool:
        if t // 60_000 != self._minute:
            self._minute = t // 60_000
            self._kept.clear()
        self._kept[reason] = self._kept.get(reason, 0) + 1
        return self._kept[reason] <= KEPT_A_MINUTE


def spread(count: int, since: int, now: int, after: int) -> list[int]:
    """Times for so many messages read in one piece, back over the time since the last read.

    Parameters
    ----------
    count : int
        How many.
    since, now : int
        The last read and this one [ms UTC].
    after : int
        The last time that was given: all lie after it, none twice [ms UTC].

    Returns
    -------
    list of int
        Rising; the last one is `now` unless `after` forbids it [ms UTC].
    """
    times = []
    for place in range(1, count + 1):
        after = max(since + (now - since) * place // count, after + 1)
        times.append(after)
    return times


class LiveSource:
    """One live line with its decoder.

    Parameters
    ----------
    plan : SourcePlan
        Name, channels, silence after which it counts as unheard.
    line : Line
        Where its bytes come from.
    decoder : Decoder
        What they mean.
    clock : Clock
        For every wait.
    timeline : Timeline
        For every time.
    earlier : Earlier, optional
        What the store knows of it from earlier sessions.
    whose : callable, optional
        Names the other source whose messages some lines are, or None.
    longitude : float
        Of the site [°].
    """

    def __init__(
        self,
        plan: SourcePlan,
        line: Line,
        decoder: Decoder,
        clock: Clock,
        timeline: Timeline,
        earlier: Earlier | None = None,
        whose: Callable[[Sequence[bytes]], str | None] = lambda lines: None,
        longitude: float = 0.0,
    ) -> None:
        self._name = plan.name
        self._unheard_ms = int(plan.unheard_after_s * 1000)
        self._channels = {channel.channel: channel for channel in plan.channels}
        self._line, self._decoder, self._clock, self._timeline = line, decoder, clock, timeline
        self._state = WAITING
        self._fault: type[LineFault] | None = None
        self._interrupted = False
        earlier = earlier or Earlier()
        self._last_heard = earlier.last_heard
        self._heard_before = self._last_heard is not None
        self._last_given = 0
        self._strange = 0
        self._strange_lines: deque[bytes] = deque(maxlen=FAILING_AFTER)
        self._whose = whose
        self._barred = False
        self._fitting = 0
        self._doubts = Doubts(self._channels)
        known = self._last_heard is not None and timeline.known
        last = timeline.of_store(self._last_heard or 0) if known else None
        self._restarts = Restarts(self._channels, longitude, earlier, last)
        self._silences = Silences(plan, earlier.silent)
        self._backoff = Backoff()
        self._sieve = Sieve()

    def run(self, stop: Event, emit: Emit) -> None:
        emit(LiveBatch(self._name, WAITING, self._channels))
        while not stop.is_set():
            begun = self._timeline.now_ms()
            try:
                self._line.open()
                self._listen(stop, emit)
            except LineFault as fault:
                self._lost(fault, emit)
                spent_s = (self._timeline.now_ms() - begun) / 1000
                self._clock.wait(stop, max(self._backoff.after(fault) - spent_s, LEAST_WAIT_S))
            finally:
                self._line.close()
        emit(LiveBatch(self._name, WAITING, self._channels))

    def let_go(self) -> None:
        """Close the line under a reader that hangs in it."""
        self._line.close()

    def _listen(self, stop: Event, emit: Emit) -> None:
        self._decoder.opened()
        self._barred = False
        opened = last_read = self._timeline.now_ms()
        stopping = False
        while not stopping:
            # Once more after the stop: what lies on the wire by then was sent to us.
            stopping = stop.is_set()
            data = self._line.read()
            now = self._timeline.now_ms()
            if data:
                self._backoff.reset()
                self._take(self._decoder.feed(data), last_read, now, emit)
            if not stopping:
                self._judge(opened, now, emit)
            last_read = now

    # -- what was read ---------------------------------------------------------------------------------------

    def _take(self, items: Sequence[Item], since: int, now: int, emit: Emit) -> None:
        records = [item for item in items if isinstance(item, Record)]
        rejects = [item for item in items if isinstance(item, Reject)]
        for stated in (item for item in items if isinstance(item, TimeEvidence)):
            heard = self._clock.boot_ns() if stated.boot_ns is None else stated.boot_ns
            self._timeline.evidence(stated.utc_ms, heard)
        for remark in (item for item in items if isinstance(item, Remark)):
            log.info("%s: %s", self._name, remark.text)
            emit(EventBatch(now, self._name, remark.kind, remark.text))
        if not (records or rejects):
            return
        if self._barred:
            rejects += self._refused(items)
            records = [] if self._barred else records
        times = spread(len(records), since, now, self._last_given)
        if records:
            self._heard(times, emit)
        else:
            self._strange += len(rejects)
            self._strange_lines.extend(reject.raw for reject in rejects)
            self._restarts.strange(now)
        moments = tuple(zip(times, records, strict=True))
        emit(
            LiveBatch(
                self._name,
                self._state,
                self._channels,
                moments,
                tuple((now, r.raw, r.reason) for r in rejects if self._sieve.keeps(now, r.reason)),
                len(rejects),
                tuple(doubt for t, record in moments for doubt in self._doubts.of(t, record)),
            )
        )
        if moments:
            self._tell_parts(self._silences.heard(now, records), emit)
        for t, record in moments:
            sign = self._restarts.heard(t, record, self._timeline.known)
            if sign:
                self._tell_restart(t, sign, emit)
        if self._strange >= FAILING_AFTER and self._state != FAILING:
            self._fails(rejects[-1].reason, now, emit)

    def _refused(self, items: Sequence[Item]) -> list[Reject]:
        """Of a line on which another source's device spoke: rejects for its records, until enough of them fit."""
        refused = []
        for item in items:
            self._fitting = self._fitting + 1 if isinstance(item, Record) else 0
            if self._fitting >= TRUST_AGAIN:
                self._barred = False
                return []
            if isinstance(item, Record):
                refused.append(Reject(repr(item.readings).encode(), NOT_ITS_OWN))
        return refused

    def _fails(self, reason: str, now: int, emit: Emit) -> None:
        """Say why nothing fits; two look-alike adapters that changed places are told as such."""
        other = self._whose(tuple(self._strange_lines))
        if other is not None:
            self._barred, self._fitting = True, 0
            why = (
                f"what it sends has the form of {other!r}, not its own: have two plugs changed places? nothing is kept "
                "under this name until it fits; a by-path name in the settings tells look-alike adapters apart"
            )
        else:
            why = f"what it sends does not fit the settings ({reason})"
        self._becomes(FAILING, why, now, emit)
        sign = self._restarts.layout_lost()
        if sign and other is None:
            self._tell_restart(now, sign, emit)

    def _tell_restart(self, t: int, sign: str, emit: Emit) -> None:
        log.info("%s: %s: %s", self._name, RESTARTED, sign)
        emit(EventBatch(t, self._name, RESTARTED, sign))

    def _tell_parts(self, told: Sequence[Told], emit: Emit) -> None:
        for t, kind, text in told:
            log.info("%s: %s", self._name, text)
            emit(EventBatch(t, self._name, kind, text))

    def _heard(self, times: list[int], emit: Emit) -> None:
        if self._state != READING:
            self._silences.resumed(times[0])
        first, self._last_given, self._strange = times[0], times[-1], 0
        if self._last_heard is not None:
            self._tell_gap(self._last_heard, first, emit)
        self._last_heard, self._interrupted, self._heard_before = times[-1], False, False
        self._becomes(READING, "readings come in", first, emit)

    def _tell_gap(self, last: int, first: int, emit: Emit) -> None:
        if self._heard_before:
            last = self._timeline.of_store(last)
            if not self._timeline.known:
                text = "no reading until this session; how long that was is not known before the clock is"
                emit(EventBatch(last, self._name, "gap", text))
                return
        gap = first - last
        if gap > 0 and (self._interrupted or gap > self._unheard_ms):
            emit(EventBatch(last, self._name, "gap", f"{gap / 1000:.1f} s without a reading"))

    # -- its state -------------------------------------------------------------------------------------------

    def _judge(self, opened: int, now: int, emit: Emit) -> None:
        quiet = now - max(opened, self._last_given)
        if quiet > self._unheard_ms and self._state in (WAITING, READING):
            self._becomes(UNHEARD, f"open, but no reading for {quiet / 1000:.0f} s", now, emit)
        if self._state == READING:
            self._tell_parts(self._silences.fallen(now), emit)

    def _lost(self, fault: LineFault, emit: Emit) -> None:
        now = self._timeline.now_ms()
        self._take(self._decoder.finish(), now, now, emit)
        self._interrupted = True
        if self._state != WAITING or self._fault is not type(fault):
            self._change(WAITING, str(fault), now, emit)
            self._fault = type(fault)

    def _becomes(self, state: str, why: str, now: int, emit: Emit) -> None:
        if state != self._state:
            self._change(state, why, now, emit)

    def _change(self, state: str, why: str, now: int, emit: Emit) -> None:
        """One log line and one event for each change of state, however often it is tried in between."""
        self._state, self._fault = state, None
        log.info("%s: %s: %s", self._name, state, why)
        emit(EventBatch(now, self._name, "state", f"{state}: {why}"))
        emit(LiveBatch(self._name, state, self._channels))
