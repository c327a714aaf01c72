"""Owns the form in which the questions and answers of a Modbus travel from line to decoder, and into captures.

An exchange is the question as it went out on a serial line (8 bytes: node, function, first address, number of
registers, CRC), the length of the answer (2 bytes, most significant first), and the answer as it came, in the same
form. What came over TCP is put into that form, so that one decoder reads both.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

QUESTION_BYTES = 8
HEAD_BYTES = QUESTION_BYTES + 2
MOST_REGISTERS = 125
"""In one answer (MODBUS Application Protocol V1.1b3, 6.3)."""
MOST_BYTES = 2048
"""Of an answer with whatever noise stood around it."""

EXCEPTIONS = {
    1: "no such function",
    2: "no such register",
    3: "not so many registers at once",
    4: "the unit has failed",
    5: "accepted, not done",
    6: "busy",
    8: "its memory is damaged",
    10: "no path through the gateway",
    11: "no answer behind the gateway",
}
"""MODBUS Application Protocol V1.1b3, section 7, in plain words."""


@dataclass(frozen=True, slots=True)
class Question:
    """So many registers of a unit, from an address on.

    Attributes
    ----------
    node, function, address, count : int
    """

    node: int
    function: int
    address: int
    count: int


def packed(question: bytes, answer: bytes) -> bytes:
    """The exchange as bytes; of an endless answer its beginning."""
    answer = answer[:MOST_BYTES]
    return question + struct.pack(">H", len(answer)) + answer


def unpacked(data: bytes) -> tuple[bytes, bytes, int] | None:
    """The first exchange of a stream: question, answer, bytes taken; None while it is not whole."""
    if len(data) < HEAD_BYTES:
        return None
    (size,) = struct.unpack_from(">H", data, QUESTION_BYTES)
    taken = HEAD_BYTES + min(size, MOST_BYTES)
    return (data[:QUESTION_BYTES], data[HEAD_BYTES:taken], taken) if len(data) >= taken else None


def exception(code: int) -> str:
    """An exception code with what it means."""
    return f"exception {code:02d} ({EXCEPTIONS.get(code, 'unknown')})"
