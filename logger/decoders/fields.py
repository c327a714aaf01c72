"""Owns how the fields of one message become readings: strict numbers, known words, a reason for all else."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

from logger.plan import ChannelPlan, SourcePlan
from logger.readings import Reading, Record, Reject
from logger.vocabulary import STAGES

NOT_A_READING = "not a reading"
MAX_WORD = 60

Find = Callable[[int | str], object]
"""What a message holds at a position, key, pointer or group: a text, a number, a truth value, or None."""

# Digits after a point: a "13." is a number that lost its end, not a value.
# Blanks as float() knows them: the separators U+001C to U+001F are white space to a regular expression, not to it.
_BLANKS = r"[^\S\x1c-\x1f]*"
_NUMBER = _BLANKS + r"[+-]?(?:[0-9]+(?:{point}[0-9]+)?|{point}[0-9]+)(?:[eE][+-]?[0-9]+)?" + _BLANKS
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


Read = Callable[[Find], float | str]
"""The value that one channel takes from a message; raises `BadField` where there is none."""


class Numbers:
    """Strict numbers: no underscores, no hex, never NaN or infinite; a comma as the point only where declared."""

    def __init__(self, plan: SourcePlan) -> None:
        self.matches = re.compile(_NUMBER.format(point=re.escape(plan.decimal))).fullmatch
        self.of_text: Callable[[str], float] = _of_comma_text if plan.decimal == "," else float
        self._missing = frozenset(plan.missing) | {""}

    def fault(self, text: str, field: int | str) -> BadField:
        """Why a text is no number."""
        text = text.strip()
        if text in self._missing:
            return BadField(f"field {field} is missing")
        if _DAMAGED.fullmatch(text):
            return BadField(f"field {field} is a damaged number", damaged=True)
        return BadField(f"field {field} is not a number")

    @staticmethod
    def of_other(value: object, field: int | str, is_switch: bool) -> float:
        """The number that a value other than a text is: JSON has numbers of its own, and truth values for switches."""
        if value is None:
            raise BadField(f"field {field} is missing")
        if isinstance(value, (int, float)) and (is_switch or not isinstance(value, bool)):
            try:
                return float(value)
            except OverflowError:
                return math.inf
        raise BadField(f"field {field} is not a number")


def _of_comma_text(text: str) -> float:
    return float(text.replace(",", "."))


def _number(plan: ChannelPlan, field: int | str, numbers: Numbers) -> Callable[[Find], float]:
    """One field, one number. A closure, for this runs for every value that is ever logged."""
    matches, of_text, scale, offset, is_switch = (
        numbers.matches,
        numbers.of_text,
        plan.scale,
        plan.offset,
        plan.unit == "0/1",
    )
    isfinite = math.isfinite

    def read(find: Find) -> float:
        value = find(field)
        if isinstance(value, str):
            if not matches(value):
                raise numbers.fault(value, field)
            number = of_text(value) * scale + offset
        else:
            number = numbers.of_other(value, field, is_switch) * scale + offset
        if not isfinite(number):
            raise BadField(f"field {field} is not a number")
        return number

    return read


def _mean(plan: ChannelPlan, fields: tuple[int | str, ...], numbers: Numbers) -> Callable[[Find], float]:
    """Several fields, the mean of those that are numbers."""
    parts = [_number(plan, field, numbers) for field in fields]

    def read(find: Find) -> float:
        values = []
        for part in parts:
            try:
                values.append(part(find))
            except BadField as fault:
                if fault.damaged:
                    raise
        if not values:
            raise BadField(f"no number in fields {', '.join(map(str, fields))}")
        return math.fsum(values) / len(values)

    return read


def _word(plan: ChannelPlan, field: int | str, missing: frozenset[str]) -> Callable[[Find], str]:
    """One field, one word."""
    words = plan.words or {}
    known = frozenset(STAGES) if plan.channel.endswith(".stage") else None

    def read(find: Find) -> str:
        value = find(field)
        text = "" if value is None else str(value).strip()
        word = words.get(text)
        if word is None:
            if text in missing:
                raise BadField(f"field {field} is missing")
            word = text
        if (known is not None and word not in known) or len(word) > MAX_WORD or not word.isprintable():
            raise BadField(f"field {field} is no known word")
        return word

    return read


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
        self._entries = [(channel.channel, _reader(channel, numbers, missing)) for channel in plan.channels]

    def items(self, find: Find, raw: bytes) -> list[Record | Reject]:
        """The readings of one message, then a reject for each mapped field that is none.

        A field that is the rest of a number takes the whole message with it: bytes were lost on the way, and a
        neighbour that still looks like a number may have lost some too.
        """
        readings: list[Reading] = []
        bad: list[Record | Reject] = []
        for channel, read in self._entries:
            try:
                readings.append(Reading(channel, read(find)))
            except BadField as fault:
                if fault.damaged:
                    return [Reject(raw, str(fault))]
                bad.append(Reject(raw, str(fault)))
        if not readings:
            return [Reject(raw, NOT_A_READING)]
        return [Record(tuple(readings)), *bad]


def _reader(plan: ChannelPlan, numbers: Numbers, missing: frozenset[str]) -> Read:
    if plan.is_text:
        return _word(plan, plan.field[0] if isinstance(plan.field, tuple) else plan.field, missing)
    if isinstance(plan.field, tuple):
        return _mean(plan, plan.field, numbers)
    return _number(plan, plan.field, numbers)
