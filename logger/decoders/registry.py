"""Owns which decoder a format in the settings stands for. Adding one is one line here and one file beside."""

from __future__ import annotations

from collections.abc import Callable

from logger.decoders import delimited, json_lines, keyvalue, pattern
from logger.decoders.lines import LineDecoder, Parse
from logger.decoders.topics import TopicDecoder
from logger.plan import SourcePlan
from logger.protocols import Decoder

FORMATS: dict[str, Callable[[SourcePlan], Parse]] = {
    "delimited": delimited.parser,
    "keyvalue": keyvalue.parser,
    "json": json_lines.parser,
    "pattern": pattern.parser,
}


def _nmea0183(plan: SourcePlan) -> Decoder:
    # Only who listens to sentences pays for the library that knows them.
    from logger.decoders.nmea0183 import SentenceDecoder  # noqa: PLC0415

    return SentenceDecoder(plan)


OF_THEIR_OWN: dict[str, Callable[[SourcePlan], Decoder]] = {"nmea0183": _nmea0183, "mqtt": TopicDecoder}
"""Formats that are more than a way to write fields on a line; each belongs to the kind of source of the same name."""


def make(plan: SourcePlan, distrust_first: bool = True) -> Decoder:
    """The decoder of one source.

    Parameters
    ----------
    plan : SourcePlan
        Format, check, dialect and mapping.
    distrust_first : bool
        Whether the first message after each opening is rejected: true for a line that is joined in mid-sentence.
    """
    if plan.format in OF_THEIR_OWN:
        return OF_THEIR_OWN[plan.format](plan)
    return LineDecoder(plan, FORMATS[plan.format](plan), distrust_first)
