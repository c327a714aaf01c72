"""Owns the decoder of every text format: lines, their check, their text, their fields."""

from __future__ import annotations

from collections.abc import Callable

from logger.decoders.checksums import checked
from logger.decoders.fields import NOT_A_READING, Find, Mapping
from logger.decoders.framing import FIRST_LINE, MAX_LINE, LineSplitter
from logger.plan import SourcePlan
from logger.readings import Record, Reject

UNDECODABLE = "undecodable"

Parse = Callable[[str], Find | None]
"""One line of text to its fields; None where the line is not of the format at all."""


class LineDecoder:
    """One message a line.

    Parameters
    ----------
    plan : SourcePlan
        Check, encoding and mapping of the source.
    parse : callable
        The format.
    distrust_first : bool
        Whether the first line after each opening is rejected.
    longest : int
        A longer line is a reject [bytes].
    """

    def __init__(self, plan: SourcePlan, parse: Parse, distrust_first: bool = True, longest: int = MAX_LINE) -> None:
        self._splitter = LineSplitter(distrust_first, longest)
        self._mapping = Mapping(plan)
        self._parse = parse
        self._checksum, self._separator, self._encoding = plan.checksum, plan.separator, plan.encoding

    def feed(self, data: bytes) -> list[Record | Reject]:
        items: list[Record | Reject] = []
        for line in self._splitter.feed(data):
            items.extend(self._items(line))
        return items

    def opened(self) -> None:
        self._splitter.opened()

    def finish(self) -> list[Record | Reject]:
        items: list[Record | Reject] = []
        for line in self._splitter.finish():
            items.extend(self._items(line))
        return items

    def _items(self, line: bytes | Reject) -> list[Record | Reject]:
        raw = line.raw if isinstance(line, Reject) else line
        text = self._text(raw)
        if isinstance(line, Reject):
            # The first line may be noise of a device that starts: worth telling from a mere half line.
            return [Reject(raw, UNDECODABLE)] if text is None and line.reason == FIRST_LINE else [line]
        if text is None:
            return [Reject(raw, UNDECODABLE)]
        if not text.strip():
            return []
        body, fault = checked(line, self._checksum, self._separator)
        if fault:
            return [Reject(raw, fault)]
        find = self._parse(text if body is line else body.decode(self._encoding))
        return self._mapping.items(find, raw) if find else [Reject(raw, NOT_A_READING)]

    def _text(self, raw: bytes) -> str | None:
        if b"\0" in raw:
            return None
        try:
            return raw.decode(self._encoding)
        except UnicodeError:
            return None
