"""Owns lines that a regular expression with named groups takes apart."""

from __future__ import annotations

import re

from logger.decoders.fields import Find
from logger.decoders.lines import Parse
from logger.plan import SourcePlan

LONGEST = 512
"""A line longer than this is not shown to a pattern: what that costs may grow with a power of the length [bytes]."""


def parser(plan: SourcePlan) -> Parse:
    """The format of one source: its pattern, which may match anywhere in the line."""
    search = re.compile(plan.pattern or "").search

    def parse(text: str) -> Find | None:
        match = search(text)
        if match is None:
            return None
        groups: dict[int | str, str | None] = dict(match.groupdict().items())
        return groups.get

    return parse
