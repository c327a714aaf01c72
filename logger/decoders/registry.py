"""Owns which decoder a format in the settings stands for. Adding one is one line here and one file beside."""

from __future__ import annotations

from collections.abc import Callable

from logger.decoders import delimited, json_lines, keyvalue, pattern
from logger.decoders.lines import LineDecoder, Parse
from logger.plan import SourcePlan
from logger.protocols import Decoder

FORMATS: dict[str, Callable[[SourcePlan], Parse]] = {
    "delimited": delimited.parser,
    "keyvalue": keyvalue.parser,
    "json": json_lines.parser,
    "pattern": pattern.parser,
}


def make(plan: SourcePlan, distrust_first: bool = True) -> Decoder:
    """The decoder of one source.

    Parameters
    ----------
    plan : SourcePlan
        Format, check, dialect and mapping.
    distrust_first : bool
        Whether the first message after each opening is rejected: true for a line that is joined in mid-sentence.
    """
    return LineDecoder(plan, FORMATS[plan.format](plan), distrust_first)
