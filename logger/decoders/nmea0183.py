"""Owns the decoder of NMEA 0183: checked sentences to positions, attitude, weather, transducers and stated UTC.

pynmea2 knows the sentences and their fields; what a field may hold is judged here, for a checksum only says that it
arrived as it was sent. Loaded only where a source speaks NMEA 0183.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterator

import pynmea2

from logger.decoders.checksums import CHECK_FAILS, NO_CHECK, xor8
from logger.decoders.fields import NOT_A_READING
from logger.decoders.framing import FIRST_LINE, LineSplitter
from logger.decoders.lines import UNDECODABLE
from logger.decoders.nmea_fields import QUANTITIES, SentenceField, spelled
from logger.decoders.nmea_sentences import FIX_SENTENCES, Value, is_fix, number, plain, variation
from logger.decoders.nmea_times import FLOOR, Calendar, clock_ms, date_of, day_of
from logger.plan import ChannelPlan, SourcePlan
from logger.readings import Item, Reading, Record, Reject, Remark, TimeEvidence

AFTER_THE_CHECK = "bytes after the check"

_STARTS = re.compile(rb"(?=[$!])")
_WHOLE = re.compile(rb"([$!][^*]*)\*([0-9A-Fa-f]{2})\s*")
# What NMEA 0183 version 4 puts before a sentence between backslashes: when and by whom it was sent on.
_TAG = re.compile(rb"\s*\\[^\\]*\\\s*")
_ADDRESS = re.compile(r"[A-OQ-Z][A-Z0-9][A-Z0-9]{3}")


class SentenceDecoder:
    """One sentence a line, or several run together: each that passes its check counts, wherever it begins.

    Parameters
    ----------
    plan : SourcePlan
        Its channels, their fields as `nmea_fields` spells them.
    floor : date
        No stated date lies before it; see `nmea_times`.
    """

    def __init__(self, plan: SourcePlan, floor: dt.date = FLOOR) -> None:
        # A sentence that passes its check is whole, also where it is the first that is heard.
        self._splitter = LineSplitter(distrust_first=False)
        self._channels = [(spelled(str(channel.field)), channel) for channel in plan.channels]
        self._calendar = Calendar(floor)
        self._told_rollover = False
        self.opened()

    def feed(self, data: bytes) -> list[Item]:
        return [item for line in self._splitter.feed(data) for item in self._line(line)]

    def finish(self) -> list[Item]:
        return [item for line in self._splitter.finish() for item in self._line(line)]

    def opened(self) -> None:
        self._splitter.opened()
        self._calendar.forget()
        self._first = True
        self._fix: bool | None = None
        self._had_zda = False
        self._variation: float | None = None
        self._fixes: dict[str, tuple[str, int | None]] = {}

    # -- from lines to sentences -----------------------------------------------------------------------------

    def _line(self, line: bytes | Reject) -> Iterator[Item]:
        first, self._first = self._first, False
        if isinstance(line, Reject):
            yield line
            return
        pieces = [piece for piece in _STARTS.split(line) if piece.strip() and not _TAG.fullmatch(piece)]
        for place, piece in enumerate(pieces):
            text = _checked(piece)
            if isinstance(text, str):
                yield from self._sentence(text, piece)
            else:
                # The first bytes after an opening may be the end of a sentence that began before.
                yield Reject(piece, FIRST_LINE) if first and place == 0 else text

    # -- from sentences to items -----------------------------------------------------------------------------

    def _sentence(self, text: str, raw: bytes) -> Iterator[Item]:
        address, *data = text[1:].split(",")
        if text[0] == "!" or not _ADDRESS.fullmatch(address):
            return  # encapsulated, proprietary or a query: nothing here for us, and no fault
        message = _parsed(text)
        values: dict[str, Value] = {}
        if message is not None:
            yield from self._stated(message, address)
            if message.sentence_type in FIX_SENTENCES and not self._fix:
                return
            values = plain(message, self._variation)
        readings, bad = [], []
        for field, plan in self._channels:
            if field.is_of(address):
                value = _value(field, plan, values, data)
                if isinstance(value, str):
                    bad.append(Reject(raw, f"{field.what} of {address} {value}"))
                elif value is not None and not self._is_known(field, plan, address, data):
                    readings.append(Reading(plan.channel, value))
        if readings:
            yield Record(tuple(readings))
        yield from bad

    def _is_known(self, field: SentenceField, plan: ChannelPlan, address: str, data: list[str]) -> bool:
        """Whether another sentence has told the same fix: receivers tell each fix in two or three kinds of sentence."""
        if field.what not in ("latitude", "longitude"):
            return False
        clock = _clock(address[2:], data)
        teller, of = self._fixes.get(plan.channel, ("", None))
        if clock is not None and of == clock:
            return teller != address
        self._fixes[plan.channel] = address, clock
        return False

    def _stated(self, message: pynmea2.TalkerSentence, address: str) -> Iterator[Item]:
        """UTC that the sentence states, as far as its receiver knows it."""
        kind = message.sentence_type
        if kind in FIX_SENTENCES:
            self._fix = is_fix(message)
            usable = self._fix
        elif kind == "ZDA":
            # It tells no status: the first after an opening may come before the one that says "no fix".
            usable, self._had_zda = self._fix or (self._fix is None and self._had_zda), True
        else:
            return
        if kind == "RMC" and usable:
            self._variation = variation(message)
        if not usable:
            self._calendar.forget()
            return
        clock = _clock(kind, message.data)
        if clock is None:
            return
        if kind not in ("RMC", "ZDA"):
            utc = self._calendar.undated(clock)
        else:
            date = _date(message)
            utc, moved = self._calendar.dated(date, clock) if date else (None, dt.timedelta())
            if moved and not self._told_rollover:
                self._told_rollover = True
                yield Remark(
                    "week rollover",
                    f"the receiver says {date}, which is {moved.days // 7} weeks behind; its dates are moved forward",
                )
        if utc is not None:
            yield TimeEvidence(utc, address)


def told(line: bytes) -> dict[str, float] | None:
    """What the sentences of a line tell, by the names that the settings give it; None where none passes its check."""
    texts = [text for piece in _STARTS.split(line) if isinstance(text := _checked(piece), str)]
    found: dict[str, float] = {}
    for message in filter(None, map(_parsed, texts)):
        for name, value in plain(message, None).items():
            if isinstance(value, float):
                found[name if name in QUANTITIES else f"{message.sentence_type} {name}"] = value
    return found if texts else None


def _checked(piece: bytes) -> str | Reject:
    """The sentence without its check, or why it is none."""
    whole = _WHOLE.fullmatch(piece)
    if not whole:
        reason = NOT_A_READING if piece[:1] not in (b"$", b"!") else AFTER_THE_CHECK if b"*" in piece else NO_CHECK
        return Reject(piece, reason)
    if xor8(whole[1]) != int(whole[2], 16):
        return Reject(piece, CHECK_FAILS)
    if not whole[1].isascii() or b"\0" in whole[1]:
        return Reject(piece, UNDECODABLE)
    return whole[1].decode("ascii")


def _parsed(text: str) -> pynmea2.TalkerSentence | None:
    """The sentence with its fields by name; None where nobody has told their meaning."""
    try:
        message = pynmea2.parse(text)
    except pynmea2.ParseError:
        return None
    return message if isinstance(message, pynmea2.TalkerSentence) else None


def _clock(kind: str, data: list[str]) -> int | None:
    """The clock of a sentence that states one [ms of the day]."""
    place = 4 if kind == "GLL" else 0
    return clock_ms(data[place]) if place < len(data) else None


def _date(message: pynmea2.TalkerSentence) -> dt.date | None:
    if message.sentence_type == "RMC":
        return date_of(message.data[8]) if len(message.data) > 8 else None
    parts = [part.strip() for part in message.data[1:4]]
    if len(parts) < 3 or not all(part.isdecimal() and len(part) <= 4 for part in parts):
        return None
    return day_of(*map(int, parts))


def _value(field: SentenceField, plan: ChannelPlan, values: dict[str, Value], data: list[str]) -> Value:
    """What the channel takes from the sentence: a number in its unit, a word on why there is none, or nothing."""
    if field.what.isdecimal():
        place = int(field.what)
        value = number(data[place - 1]) if place <= len(data) else None
    else:
        value = values.get(field.what)
    if value is None or isinstance(value, str):
        return value
    value = value * plan.scale + plan.offset
    if not math.isfinite(value):
        return "is not a number"
    return value % 360.0 if plan.channel.endswith(".heading") else value
