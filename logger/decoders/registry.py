"""Owns which decoder a format in the settings stands for. Adding one is one line here and one file beside."""

from __future__ import annotations

from collections.abc import Callable

from logger.decoders import delimited, json_lines, keyvalue, pattern
from logger.decoders.framing import MAX_LINE
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


def _registers(plan: SourcePlan) -> Decoder:
    from logger.decoders.registers import RegisterDecoder  # noqa: PLC0415 - what no source needs is not loaded

    return RegisterDecoder(plan)


def _sensors(plan: SourcePlan) -> Decoder:
    from logger.decoders.onewire import SensorDecoder  # noqa: PLC0415

    return SensorDecoder(plan)


KINDS: dict[str, Callable[[SourcePlan], Decoder]] = {
    "modbus": _registers,
    "onewire": _sensors,
    "nmea0183": _nmea0183,
    "mqtt": TopicDecoder,
}
"""Kinds of source whose messages have one form alone."""


def make(plan: SourcePlan, distrust_first: bool = True) -> Decoder:
    """The decoder of one source.

    Parameters
    ----------
    plan : SourcePlan
        Format, check, dialect and mapping.
    distrust_first : bool
        Whether the first message after each opening is rejected: true for a line that is joined in mid-sentence.
    """
    if plan.kind in KINDS:
        return KINDS[plan.kind](plan)
    longest = pattern.LONGEST if plan.format == "pattern" else MAX_LINE
    return LineDecoder(plan, FORMATS[plan.format](plan), distrust_first, longest)
