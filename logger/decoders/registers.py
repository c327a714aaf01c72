"""Owns what the registers of a Modbus mean: exchanges in, readings and rejects out."""

from __future__ import annotations

import dataclasses
import math
import struct
from collections.abc import Sequence
from functools import cached_property

from logger.decoders.checksums import CHECK_FAILS, crc16_modbus
from logger.decoders.fields import BadField, Mapping
from logger.exchange import MOST_REGISTERS, Question, exception, unpacked
from logger.plan import RegisterPlan, SourcePlan
from logger.readings import Record, Reject

FORMATS = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}
SMALLEST_FLOAT = 2.0**-126
"""Smallest normal number of 32 bits (IEEE 754, table 3.5: emin = -126): nothing that is measured lies below."""


def value(registers: Sequence[int], plan: RegisterPlan) -> float:
    """The number in a value's registers, before scale and unit.

    Parameters
    ----------
    registers : sequence of int, shape (plan.width,)
        As the unit sent them, each 0 to 65535.
    plan : RegisterPlan
        Type and orders.

    Returns
    -------
    float
        Of 32-bit floats also NaN or infinite.
    """
    words = registers if plan.word_order == "big" else registers[::-1]
    data = b"".join(word.to_bytes(2, "big" if plan.byte_order == "big" else "little") for word in words)
    number: float = struct.unpack(FORMATS[plan.type], data)[0]
    return number


class RegisterDecoder:
    """Decoder of exchanges. Every answer is checked here once more, whatever the line has seen in it.

    Parameters
    ----------
    plan : SourcePlan
        Of kind ``modbus``.
    """

    def __init__(self, plan: SourcePlan) -> None:
        self._plan = plan
        self._missing = frozenset(plan.missing)
        self._data = b""
        self._blocks: dict[Question, _Block] = {}

    def feed(self, data: bytes) -> list[Record | Reject]:
        items: list[Record | Reject] = []
        self._data += data
        while found := unpacked(self._data):
            question, answer, taken = found
            if crc16_modbus(question):
                # Not the beginning of an exchange: where the next one begins cannot be known.
                items.append(Reject(self._data, "no exchange"))
                self._data = b""
                break
            self._data = self._data[taken:]
            items += self._exchange(question, answer)
        return items

    def opened(self) -> None:
        self._data = b""

    def finish(self) -> list[Record | Reject]:
        rest, self._data = self._data, b""
        return [Reject(rest, "half an exchange")] if rest else []

    def _exchange(self, raw: bytes, answer: bytes) -> list[Record | Reject]:
        question = Question(*struct.unpack(">BBHH", raw[:6]))
        fault = _fault(question, answer)
        if fault:
            return [Reject(answer or raw, fault)]
        registers = struct.unpack(f">{question.count}H", answer[3:-2])
        block = self._blocks.get(question)
        if block is None:
            block = self._blocks[question] = _Block(self._plan, question, self._missing)
        return block.items(registers, answer)


class _Block:
    """The channels in the answer to one question."""

    def __init__(self, plan: SourcePlan, question: Question, missing: frozenset[str]) -> None:
        channels = [c for c in plan.channels if c.register and _within(c.register, question)]
        self._plan, self._missing, self._first = dataclasses.replace(plan, channels=tuple(channels)), missing, question
        self._registers = {c.register.label: c.register for c in channels if c.register}
        self._answer: tuple[int, ...] = ()
        self._why = ""

    @cached_property
    def _mapping(self) -> Mapping:
        return Mapping(self._plan)

    def items(self, registers: tuple[int, ...], raw: bytes) -> list[Record | Reject]:
        self._answer, self._why = registers, ""
        items = self._mapping.items(self._find, raw)
        if self._why and not isinstance(items[0], Record):
            return [Reject(raw, self._why)]
        return items

    def _find(self, field: int | str) -> object:
        plan = self._registers[str(field)]
        at = plan.address - self._first.address
        number = value(self._answer[at : at + plan.width], plan)
        fault = None
        if plan.type == "float32" and 0 < abs(number) < SMALLEST_FLOAT:
            fault = f"{field} holds {number:.2g}, no measured value: is the order right?"
        elif str(number) in self._missing or not math.isfinite(number):
            fault = f"{field} is missing"
        if fault:
            self._why = self._why or fault
            raise BadField(fault)
        return number


def _within(register: RegisterPlan, question: Question) -> bool:
    return (
        (register.node, register.function) == (question.node, question.function)
        and question.address <= register.address
        and register.address + register.width <= question.address + question.count
    )


def _fault(question: Question, answer: bytes) -> str | None:
    """Why an answer is none to the question; None where it is one."""
    if len(answer) < 5 or crc16_modbus(answer):
        return CHECK_FAILS if answer else "no answer"
    if answer[0] != question.node:
        return f"answer of node {answer[0]}, asked was node {question.node}"
    if answer[1] == question.function | 0x80 and len(answer) == 5:
        return f"{exception(answer[2])} at {question.address} of node {question.node}"
    size = 2 * question.count
    if answer[1] != question.function or answer[2] != size or len(answer) != 5 + size:
        return "answer to another question"
    return None if question.count <= MOST_REGISTERS else "more registers than an answer holds"
