"""Owns turning the cells of a column into values: numbers, decimal commas, missing words, words of text channels."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from logger.plan import ChannelPlan, SourcePlan

OUT_OF_RANGE = "out of range"
# Thousands stand in groups of three, or the mark is no thousands mark: 1.0 is not ten.
_COMMA_NUMBER = re.compile(
    r"[+\u2212-]?(?:\d{1,3}(?:\.\d{3})+|\d{1,3}(?:[ \u00a0\u2009\u202f]\d{3})+|\d+)?(?:,\d*)?(?:[eE][+-]?\d+)?",
    re.ASCII,
)
_THOUSANDS = re.compile("[. \u00a0\u2009\u202f]")

Values = list[float | None]


class Column:
    """One channel of a file: how its cells become values.

    Parameters
    ----------
    plan : SourcePlan
        For decimal mark and missing words.
    channel : ChannelPlan
        For unit, range and words.
    """

    def __init__(self, plan: SourcePlan, channel: ChannelPlan) -> None:
        self._channel = channel
        self._comma = plan.decimal == ","
        self._missing = frozenset(word.strip() for word in plan.missing)
        self._missing_numbers = {number for word in self._missing if (number := self._number(word)) is not None}
        what = "word not known" if channel.is_text else "not a number"
        self.reason = f"{what} for {channel.channel}"

    # -- words --------------------------------------------------------------------------------------------

    def words(self, cells: Sequence[str]) -> tuple[list[str | None], list[int]]:
        """Words of a text channel, and the rows whose word is unknown."""
        known = self._channel.words
        found: list[str | None] = []
        bad = []
        for row, cell in enumerate(cells):
            word = cell.strip()
            if known is not None and word in known:
                found.append(known[word])
            elif word in self._missing:
                found.append(None)
            elif known is None:
                found.append(word)
            else:
                found.append(None)
                bad.append(row)
        return found, bad

    # -- numbers ------------------------------------------------------------------------------------------

    def numbers(self, cells: Sequence[str], plain: bool = False) -> tuple[Values, list[int]]:
        """Numbers as sent, None where missing, and the rows whose cell is no number.

        `plain` tells that no cell holds an underscore, which Python would read as part of a number.
        """
        quick = self._quick(cells, plain)
        if quick is not None:
            return quick, []
        found: Values = []
        bad = []
        missing, missing_numbers = self._missing, self._missing_numbers
        for row, cell in enumerate(cells):
            text = cell.strip()
            number = None if text in missing else self._number(text)
            if number is None and text not in missing:
                bad.append(row)
            found.append(None if number in missing_numbers else number)
        return found, bad

    def _quick(self, cells: Sequence[str], plain: bool) -> Values | None:
        """All at once where every cell is a plain number or exactly a missing word."""
        if self._comma or not plain:
            text = "\n".join(cells)
            if text.count("\n") >= len(cells):  # a quoted cell of two lines
                return None
            if "_" in text or (self._comma and _THOUSANDS.search(text)):
                return None
            if self._comma:
                cells = text.replace(",", ".").split("\n")
        try:
            found: Values = list(map(float, cells))
        except ValueError:
            missing = self._missing
            try:
                found = [None if cell in missing else float(cell) for cell in cells]
            except ValueError:
                return None
            finite = math.isfinite(sum(number for number in found if number is not None))
        else:
            finite = math.isfinite(sum(found))  # type: ignore[arg-type]
        if not finite or not self._missing_numbers.isdisjoint(found):
            return None
        return found

    def _number(self, text: str) -> float | None:
        if self._comma:
            if not _COMMA_NUMBER.fullmatch(text):
                return None
            text = _THOUSANDS.sub("", text).replace(",", ".")
        if "_" in text:
            return None
        try:
            number = float(text.replace("\u2212", "-"))
        except ValueError:
            return None
        return number if math.isfinite(number) else None

    # -- to the vocabulary's unit -------------------------------------------------------------------------

    def converted(self, values: Values) -> tuple[Values, list[int]]:
        """Values in the channel's unit, and the rows out of its plausible range."""
        channel = self._channel
        scale, offset = channel.scale, channel.offset
        whole = None not in values
        if scale != 1.0 or offset != 0.0:
            values = [None if value is None else value * scale + offset for value in values]
        if whole and values:
            low, high = min(values), max(values)  # type: ignore[type-var]
            if low >= channel.low and high <= channel.high:  # type: ignore[operator]
                return values, []
        return values, [
            row for row, value in enumerate(values) if value is not None and not channel.low <= value <= channel.high
        ]


def mean(parts: Sequence[Values]) -> Values:
    """Mean of the numbers that each row has, None where it has none."""
    found: Values = []
    for row in zip(*parts, strict=True):
        numbers = [value for value in row if value is not None]
        found.append(math.fsum(numbers) / len(numbers) if numbers else None)
    return found
