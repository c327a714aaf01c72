"""Owns the Modbus as a live line: asks what is due and hands on what was said."""

from __future__ import annotations

from collections.abc import Callable
from threading import Event

from logger.clock import Clock
from logger.plan import SourcePlan
from logger.sources.modbus_poll import Block, Poll
from logger.sources.modbus_wire import Answer, Wire, wire

IDLE_S = 0.25


class ModbusLine:
    """A line whose bytes are exchanges; see `logger.exchange`.

    Parameters
    ----------
    plan : SourcePlan
        Of kind ``modbus``.
    clock : Clock
        For what is due when, and for waiting.
    note : callable
        Told a sentence for each thing about the bus that a person should know.
    """

    def __init__(self, plan: SourcePlan, clock: Clock, note: Callable[[str], None]) -> None:
        self._wire: Wire = wire(plan)
        self._clock, self._never = clock, Event()
        registers = [channel.register for channel in plan.channels if channel.register]
        self._poll = Poll(registers, plan.every_s, plan.timeout_s, note, self._now_s())

    def open(self) -> None:
        self._wire.open()

    def read(self) -> bytes:
        """The next exchange; nothing where no question is due, or none was answered."""
        block = self._poll.next(self._now_s())
        if block is None:
            self._clock.wait(self._never, min(IDLE_S, self._poll.wait_s(self._now_s())))
            return b""
        answer = self._wire.ask(block.question)
        for number in answer.late:
            self._poll.late(number)
        self._told(block, answer)
        return answer.exchange

    def _told(self, block: Block, answer: Answer) -> None:
        if answer.exception:
            self._poll.refused(block, answer.exception, self._now_s())
        elif answer.sound:
            self._poll.answered(block, self._now_s())
        elif answer.exchange:
            self._poll.damaged(block, self._now_s())
        else:
            self._poll.silent(block, self._now_s())

    def close(self) -> None:
        self._wire.close()

    def _now_s(self) -> float:
        return self._clock.boot_ns() / 1e9
