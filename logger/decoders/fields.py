"""Owns how the fields of one message become readings: strict numbers, known words, a reason for all else."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Protocol

from logger.plan import ChannelPlan, SourcePlan
from logger.readings import Reading, Record, Reject
from logger.vocabulary import STAGES

NOT_A_READING = "not a reading"
MAX_WORD = 60

Find = Callable[[int | str], object]
"""What a message holds at a position, key, pointer or group: a text, a number, a truth value, or None."""

# Digits on both sides of a point: a "13." is a number that lost its end, not a value.
_NUMBER = r"[+-]?(?:[0-9]+(?:{point}[0-9]+)?|{point}[0-9]+)(?:[eE][+-]?[0-9]+)?"
_DAMAGED = re.compile(r"(?=.*[0-9])[-+.,eE0-9]+")


class BadField(Exception):
    """A mapped field is no value.

    Parameters
    ----------
    reason : str
        For the reject.
    damaged : bool
        It is the rest of a number: bytes of this line were lost, so nothing else on it can be believed.
    """

    def __init__(self, reason: str, damaged: bool = False) -> None:
        super().__init__(reason)
        self.damaged = damaged


class Numbers:
    """Strict numbers: no underscores, no hex, never NaN or infinite; a comma as the point only where declared."""

    def __init__(self, plan: SourcePlan) -> None:
        self._comma = plan.decimal == ","
        self._is_number = re.compile(_NUMBER.format(point=re.escape(plan.decimal))).fullmatch
        self._missing = frozenset(plan.missing) | {""}

    def __call__(self, value: object, field: int | str, is_switch: bool) -> float:
        """The number that a field holds.

        Raises
        ------
        BadField
            It is missing, or not a number.
        """
        if isinstance(value, str):
            text = value.strip()
            if not self._is_number(text):
                raise self._fault(text, field)
            number = float(text.replace(",", ".") if self._comma else text)
        elif value is None:
            raise BadField(f"field {field} is missing")
        elif isinstance(value, bool) and not is_switch:
            raise BadField(f"field {field} is not a number")
        elif isinstance(value, (int, float)):
            number = _float(value)
        else:
            raise BadField(f"field {field} is not a number")
        if not math.isfinite(number):
            raise BadField(f"field {field} is not a number")
        return number

    def _fault(self, text: str, field: int | str) -> BadField:
        if text in self._missing:
            return BadField(f"field {field} is missing")
        if _DAMAGED.fullmatch(text):
            return BadField(f"field {field} is a damaged number", damaged=True)
        return BadField(f"field {field} is not a number")


def _float(value: float) -> float:
    try:
        return float(value)
    except OverflowError:
        return math.inf


class _Entry(Protocol):
    channel: str

    def read(self, find: Find) -> float | str: ...


class _Number:
    """One field, one number."""

    def __init__(self, plan: ChannelPlan, field: int | str, numbers: Numbers) -> None:
        self.channel = plan.channel
        self._field = field
        self._scale, self._offset = plan.scale, plan.offset
        self._is_switch = plan.unit == "0/1"
        self._numbers = numbers

    def read(self, find: Find) -> float:
        value = self._numbers(find(self._field), self._field, self._is_switch) * self._scale + self._offset
        if not math.isfinite(value):
            raise BadField(f"field {self._field} is not a number")
        return value


class _Mean:
    """Several fields, the mean of those that are numbers."""

    def __init__(self, plan: ChannelPlan, fields: tuple[int | str, ...], numbers: Numbers) -> None:
        self.channel = plan.channel
        self._fields = fields
        self._parts = [_Number(plan, field, numbers) for field in fields]

    def read(self, find: Find) -> float:
        values = []
        for part in self._parts:
            try:
                values.append(part.read(find))
            except BadField as fault:
                if fault.damaged:
                    raise
        if not values:
            raise BadField(f"no number in fields {', '.join(map(str, self._fields))}")
        return math.fsum(values) / len(values)


class _Word:
    """One field, one word."""

    def __init__(self, plan: ChannelPlan, field: int | str, missing: frozenset[str]) -> None:
        self.channel = plan.channel
        self._field = field
        self._words = plan.words or {}
        self._known = frozenset(STAGES) if plan.channel.endswith(".stage") else None
        self._missing = missing

    def read(self, find: Find) -> str:
        value = find(self._field)
        text = "" if value is None else str(value).strip()
        word = self._words.get(text)
        if word is None:
            if text in self._missing:
                raise BadField(f"field {self._field} is missing")
            word = text
        if (self._known is not None and word not in self._known) or len(word) > MAX_WORD or not word.isprintable():
            raise BadField(f"field {self._field} is no known word")
        return word


class Mapping:
    """The mapping of one source: what each message comes to.

    Parameters
    ----------
    plan : SourcePlan
        Its channels, its decimal sign and its words for "nothing there".
    """

    def __init__(self, plan: SourcePlan) -> None:
        numbers = Numbers(plan)
        missing = frozenset(plan.missing) | {""}
        self._entries = [_entry(channel, numbers, missing) for channel in plan.channels]

    def items(self, find: Find, raw: bytes) -> list[Record | Reject]:
        """The readings of one message, then a reject for each mapped field that is none.

        A field that is the rest of a number takes the whole message with it: bytes were lost on the way, and a
        neighbour that still looks like a number may have lost some too.
        """
        readings: list[Reading] = []
        bad: list[Record | Reject] = []
        for entry in self._entries:
            try:
                readings.append(Reading(entry.channel, entry.read(find)))
            except BadField as fault:
                if fault.damaged:
                    return [Reject(raw, str(fault))]
                bad.append(Reject(raw, str(fault)))
        if not readings:
            return [Reject(raw, NOT_A_READING)]
        return [Record(tuple(readings)), *bad]


def _entry(plan: ChannelPlan, numbers: Numbers, missing: frozenset[str]) -> _Entry:
    if plan.is_text:
        return _Word(plan, plan.field[0] if isinstance(plan.field, tuple) else plan.field, missing)
    if isinstance(plan.field, tuple):
        return _Mean(plan, plan.field, numbers)
    return _Number(plan, plan.field, numbers)
