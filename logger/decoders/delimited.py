"""Owns lines of fields between separators: ``13.1,4.2,bulk``."""

from __future__ import annotations

import csv
from collections.abc import Callable

from logger.decoders.fields import Find
from logger.decoders.lines import Parse
from logger.plan import SourcePlan

FOUND = ("\t", ";", ",")
"""Separators that are taken as found, the rarest inside a number first; blanks where none of them stands."""


def parser(plan: SourcePlan) -> Parse:
    """The format of one source: its separator, or the one each line shows."""
    found = tuple(mark for mark in FOUND if mark != plan.decimal)

    def parse(text: str) -> Find:
        separator = plan.separator or next((mark for mark in found if mark in text), " ")
        return _by_position(split(text, separator))

    return parse


def split(text: str, separator: str) -> list[str]:
    """The fields of one line; blanks count as one separator, quotes around a field are taken off."""
    if separator.isspace() and separator != "\t":
        return text.split()
    if '"' in text and len(separator) == 1:
        return next(csv.reader([text], delimiter=separator, skipinitialspace=True), [])
    return text.split(separator)


def _by_position(fields: list[str]) -> Callable[[int | str], str | None]:
    count = len(fields)

    def find(field: int | str) -> str | None:
        return fields[field - 1] if isinstance(field, int) and field <= count else None

    return find
