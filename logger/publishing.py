"""Owns what is left with a broker for other programs aboard: the latest value of each channel, the open findings.

Plain JSON, retained, under the topics of `[publish]`::

    UNDER/latest/bank.house.voltage  {"value": 26.4, "unit": "V", "at": "2026-06-12T10:00:00.000Z", "plausible": true}
    UNDER/findings                   {"site": "Lapwing", "at": "...", "findings": [...]}
"""

from __future__ import annotations

import datetime as dt
import json
import logging
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from threading import Event, Lock
from typing import Any

from logger.batches import EventBatch, LiveBatch
from logger.broker import Broker
from logger.clock import Clock
from logger.errors import LineFault
from logger.plan import PublishPlan
from logger.protocols import Batch, Emit

log = logging.getLogger("noonmark.logger")


class LatestValues:
    """The latest value of each live channel, published at a bounded rate; beside the sources, in a thread of its own.

    Parameters
    ----------
    plan : PublishPlan
        Where to, and how often.
    clock : Clock
        For every wait.
    now : callable
        Time [ms UTC].
    """

    def __init__(self, plan: PublishPlan, clock: Clock, now: Callable[[], int]) -> None:
        self._plan, self._clock, self._now = plan, clock, now
        self._lock = Lock()
        self._fresh: dict[str, bytes] = {}
        self._fault: str | None = None

    def see(self, batch: Batch) -> None:
        """Note what a live source has just handed to the writer."""
        if not isinstance(batch, LiveBatch) or not batch.moments:
            return
        latest = {
            name: (record.t if record.t is not None else t, value)
            for t, record in batch.moments
            for name, value in record.readings
        }
        payloads = {}
        for name, (t, value) in latest.items():
            plan = batch.channels[name]
            plausible = isinstance(value, str) or plan.low <= value <= plan.high
            payloads[name] = _json({"value": value, "unit": plan.unit, "at": iso(t), "plausible": plausible})
        with self._lock:
            self._fresh |= payloads

    def run(self, stop: Event, emit: Emit) -> None:
        """Publish what is new, until `stop` is set. A broker that is away is told once; nothing piles up meanwhile."""
        while not stop.is_set():
            self._clock.wait(stop, self._plan.every_s)
            with self._lock:
                fresh, self._fresh = self._fresh, {}
            if not fresh:
                continue
            try:
                publish(self._plan, [(f"latest/{name}", payload) for name, payload in fresh.items()])
            except LineFault as fault:
                with self._lock:
                    self._fresh = fresh | self._fresh
                self._tell(str(fault), emit)
            else:
                self._tell(None, emit)

    def let_go(self) -> None:
        """Whoever hangs holds a connection of its own, and what it did not bring there is the next one's to bring."""

    def _tell(self, fault: str | None, emit: Emit) -> None:
        """One log line and one event for each change."""
        if fault == self._fault:
            return
        self._fault = fault
        text = f"not published: {fault}" if fault else f"published to {self._plan.broker} again"
        log.info("%s", text)
        emit(EventBatch(self._now(), None, "publishing", text))


def publish_findings(plan: PublishPlan, site: str, now: int, findings: Sequence[Mapping[str, Any]]) -> None:
    """Leave the open findings, an empty list where there are none; see `publish` for what is raised."""
    publish(plan, [("findings", _json({"site": site, "at": iso(now), "findings": list(findings)}))])


def publish(plan: PublishPlan, messages: Sequence[tuple[str, bytes]]) -> None:
    """Leave topics (below `plan.under`) and payloads with the broker, retained.

    Raises
    ------
    LineFault
        The broker did not take them.
    """
    with closing(Broker(plan.broker, plan.password_file)) as broker:
        broker.open()
        broker.publish([(f"{plan.under}/{topic}", payload) for topic, payload in messages])


def iso(t: int) -> str:
    """ISO 8601 in UTC of milliseconds since 1970."""
    moment = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(milliseconds=t)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _json(value: Mapping[str, Any]) -> bytes:
    return json.dumps(value, ensure_ascii=False).encode()
