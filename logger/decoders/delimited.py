"""Owns lines of fields between separators: ``13.1,4.2,bulk``."""

from __future__ import annotations

import csv

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
        fields: dict[int | str, str] = dict(enumerate(split(text, separator), start=1))
        return fields.get

    return parse


def split(text: str, separator: str) -> list[str]:
    """The fields of one line; blanks count as one separator, quotes around a field are taken off."""
    if separator.isspace() and separator != "\t":
        return text.split()
    if '"' in text and len(separator) == 1:
        return next(csv.reader([text], delimiter=separator, skipinitialspace=True), [])
    return text.split(separator)
