"""Owns how the settings name what an NMEA 0183 sentence holds.

::

    "latitude"          a plain quantity, from whichever sentence gives it
    "GGA latitude"      the same, from one sentence alone; "GPGGA latitude" from one talker alone
    "XDR U PV0"         a transducer: its type letter, then the name it sends, if it sends one
    "MTW 1"             any sentence, by position: the first field behind the address is 1
"""

from __future__ import annotations

import re
from dataclasses import dataclass

QUANTITIES = {
    "latitude": "°",
    "longitude": "°",
    "heading": "°",
    "heel": "°",
    "pitch": "°",
    "wind_speed": "m/s",
    "air_temperature": "°C",
    "pressure": "Pa",
    "humidity": "%",
}
"""The plain quantities, each with the unit in which it is handed on."""

RULE = (
    f'write one of {", ".join(QUANTITIES)}, alone or behind a sentence as in "GGA latitude"; a transducer by type and '
    'name as in "XDR C WTHI"; or a sentence and a position from 1 as in "MTW 1"'
)
_ADDRESS = re.compile(r"[A-Z][A-Z0-9]{2}|[A-Z]{2}[A-Z][A-Z0-9]{2}")
_POSITION = re.compile(r"[1-9][0-9]{0,2}")
_TRANSDUCER = re.compile(r"[A-Z]( [^,*$!]+)?")


@dataclass(frozen=True, slots=True)
class SentenceField:
    """What one channel takes from the sentences.

    Attributes
    ----------
    address : str
        Sentence (three letters) or talker and sentence (five); empty for any.
    what : str
        A plain quantity, a position, or a transducer's type and name.
    """

    address: str
    what: str

    def is_of(self, address: str) -> bool:
        """Whether it may come from a sentence of this address (talker and sentence)."""
        return self.address in ("", address, address[2:])

    @property
    def is_plain(self) -> bool:
        """Whether it is a plain quantity, whose unit is fixed."""
        return self.what in QUANTITIES


def spelled(text: str) -> SentenceField:
    """The field that the settings spell.

    Raises
    ------
    ValueError
        They do not; the message is the rule.
    """
    if text in QUANTITIES:
        return SentenceField("", text)
    address, _, what = text.partition(" ")
    is_transducer = address[-3:] == "XDR" and _TRANSDUCER.fullmatch(what)
    if _ADDRESS.fullmatch(address) and (what in QUANTITIES or _POSITION.fullmatch(what) or is_transducer):
        return SentenceField(address, what)
    raise ValueError(RULE)
