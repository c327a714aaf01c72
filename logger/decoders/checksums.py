"""Owns the four ways in which a text line carries a check of itself.

A line carries its check as the last thing on it, in hex digits, upper or lower case, behind a mark: the last ``*``
of the line, or where there is none, the last separator. The check covers the bytes before that mark::

    V=13.1,I=4.2*5d        mark is the asterisk, covered is "V=13.1,I=4.2"
    13.1,4.2,b4            mark is the last comma, covered is "13.1,4.2"

========================= ======= ==========================================================================
``none``                          the line is taken as it is
``sum8``                  2 hex   sum of the covered bytes, modulo 256
``xor8``                  2 hex   exclusive or of the covered bytes; a leading ``$`` or ``!`` is not covered, as
                                  in NMEA 0183
``crc16-modbus``          4 hex   polynomial 0x8005 reflected, start 0xFFFF, most significant digit first
========================= ======= ==========================================================================
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import reduce
from operator import xor

CHECK_FAILS = "check does not match"
NO_CHECK = "no check"

_HEX = re.compile(rb"[0-9A-Fa-f]+")


def sum8(data: bytes) -> int:
    """Sum of the bytes, modulo 256."""
    return sum(data) & 0xFF


def xor8(data: bytes) -> int:
    """Exclusive or of the bytes, a leading ``$`` or ``!`` left out (NMEA 0183)."""
    return reduce(xor, data[1:] if data[:1] in (b"$", b"!") else data, 0)


def crc16_modbus(data: bytes) -> int:
    """CRC-16 of MODBUS over Serial Line, V1.02, section 6.2.2: 0x8005 reflected, start 0xFFFF."""
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc


def _crc_entry(byte: int) -> int:
    for _ in range(8):
        byte = byte >> 1 ^ (0xA001 if byte & 1 else 0)
    return byte


_CRC_TABLE = tuple(_crc_entry(byte) for byte in range(256))

CHECKS: dict[str, tuple[Callable[[bytes], int], int]] = {
    "sum8": (sum8, 2),
    "xor8": (xor8, 2),
    "crc16-modbus": (crc16_modbus, 4),
}


def checked(line: bytes, kind: str, separator: str | None = None) -> tuple[bytes, str | None]:
    """The line without its check, and what is wrong with the check.

    Parameters
    ----------
    line : bytes
        Without its end.
    kind : str
        ``none``, ``sum8``, ``xor8`` or ``crc16-modbus``.
    separator : str, optional
        What stands before the check where no ``*`` does; absent: the last of comma, semicolon, tab, blank.

    Returns
    -------
    body : bytes
        The covered bytes.
    fault : str or None
        ``no check``, ``check does not match``, or None where all is well.
    """
    if kind == "none":
        return line, None
    function, digits = CHECKS[kind]
    body, check = _at_mark(line.rstrip(), separator)
    if len(check) != digits or not _HEX.fullmatch(check):
        return line, NO_CHECK
    return body, None if function(body) == int(check, 16) else CHECK_FAILS


def _at_mark(line: bytes, separator: str | None) -> tuple[bytes, bytes]:
    separators = [separator.encode()] if separator else [b",", b";", b"\t", b" "]
    at, mark = max((line.rfind(mark), mark) for mark in ([b"*"] if b"*" in line else separators))
    return (line[:at], line[at + len(mark) :]) if at >= 0 else (line, b"")
