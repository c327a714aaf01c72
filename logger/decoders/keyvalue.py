"""Owns lines of named values: ``V=13.1,I=4.2`` or ``V: 13.1; I: 4.2``."""

from __future__ import annotations

import re

from logger.decoders.delimited import FOUND, split
from logger.decoders.fields import Find
from logger.decoders.lines import Parse
from logger.plan import SourcePlan

_TO = re.compile(r"\s*([=:])\s*")


def parser(plan: SourcePlan) -> Parse:
    """The format of one source: its separator between pairs, or the one each line shows."""
    found = tuple(mark for mark in FOUND if mark != plan.decimal)

    def parse(text: str) -> Find | None:
        separator = plan.separator or next((mark for mark in found if mark in text), " ")
        found_pairs = pairs(text, separator)
        return found_pairs.get if found_pairs else None

    return parse


def pairs(text: str, separator: str) -> dict[int | str, str] | None:
    """The pairs of one line; None where there are none, or where a key stands twice: two lines ran into one."""
    values: dict[int | str, str] = {}
    for piece in split(_TO.sub(r"\1", text), separator):
        mark = _TO.search(piece)
        if mark is None:
            continue
        key = piece[: mark.start()].strip()
        if key in values:
            return None
        values[key] = piece[mark.end() :]
    return values or None
