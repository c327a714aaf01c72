"""How a text line carries its check."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decoders.checksums import CHECK_FAILS, CHECKS, NO_CHECK, checked, crc16_modbus, sum8, xor8

# MODBUS frames with their CRC as it goes over the line, low byte first. The first is the catalogue check value of
# CRC-16/MODBUS; the others are requests and answers of the public protocol examples.
CRC_VECTORS = [
    (b"123456789", "37 4B"),
    (bytes.fromhex("11 03 00 6B 00 03"), "76 87"),
    (bytes.fromhex("11 03 06 AE 41 56 52 43 40"), "49 AD"),
    (bytes.fromhex("11 03 06 02 2B 00 00 00 64"), "C8 BA"),
    (bytes.fromhex("01 03 00 00 00 0A"), "C5 CD"),
    (bytes.fromhex("11 04 00 08 00 01"), "B2 98"),
    (bytes.fromhex("11 04 02 00 0A"), "F8 F4"),
    (bytes.fromhex("11 01 00 13 00 25"), "0E 84"),
    (bytes.fromhex("11 01 05 CD 6B B2 0E 1B"), "45 E6"),
    (bytes.fromhex("11 05 00 AC FF 00"), "4E 8B"),
    (bytes.fromhex("11 06 00 01 00 03"), "9A 9B"),
    (bytes.fromhex("11 02 00 C4 00 16"), "BA A9"),
    (bytes.fromhex("11 02 03 AC DB 35"), "20 18"),
    (bytes.fromhex("11 83 02"), "C1 34"),
]

# Public example sentences of NMEA 0183 with the exclusive or of what stands between "$" and "*".
NMEA_VECTORS = [
    ("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", 0x47),
    ("GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W", 0x6A),
    ("GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E", 0x68),
    ("GPGGA,153903.000,3854.8669,N,09445.3785,W,1,03,2.37,180.1,M,-30.1,M,,", 0x5F),
    ("GPGGA,153845.307,,,,,0,00,,,M,,M,,", 0x72),
    ("GPRMC,201230.00,A,6026.86949,N,02217.14087,E,0.689,,150722,,,A", 0x72),
    ("GPGLL,5057.970,N,00146.110,E,142451,A", 0x27),
    ("YXMTW,17.75,C", 0x26),
    ("SDXDR,C,23.15,C,WTHI", 0x70),
]


@pytest.mark.parametrize(("frame", "wire"), CRC_VECTORS)
def test_the_crc_is_that_of_modbus(frame: bytes, wire: str) -> None:
    """The CRC equals the published frames', and the residue of a frame with its CRC is zero."""
    crc = crc16_modbus(frame)
    assert crc.to_bytes(2, "little") == bytes.fromhex(wire)
    assert crc16_modbus(frame + crc.to_bytes(2, "little")) == 0


@pytest.mark.parametrize(("body", "expected"), NMEA_VECTORS)
def test_xor8_is_that_of_nmea_0183(body: str, expected: int) -> None:
    """The leading dollar is not covered, and a sentence of the standard's form is accepted whole."""
    assert xor8(body.encode()) == xor8(b"$" + body.encode()) == xor8(b"!" + body.encode()) == expected
    line = f"${body}*{expected:02X}".encode()
    assert checked(line, "xor8") == (b"$" + body.encode(), None)


@pytest.mark.parametrize(("body", "expected"), NMEA_VECTORS)
def test_a_changed_character_is_noticed(body: str, expected: int) -> None:
    """One character changed: the check does not match."""
    line = f"${body}*{expected:02X}".encode()
    for at in range(1, len(body)):
        spoilt = line[:at] + bytes([line[at] ^ 0x01]) + line[at + 1 :]
        assert checked(spoilt, "xor8")[1] in (CHECK_FAILS, NO_CHECK)


def test_sum8_is_the_sum_modulo_256() -> None:
    """Worked by hand: "13.1,4.2" is 49+51+46+49+44+52+46+50 = 387 = 256 + 131 = 0x83."""
    assert sum8(b"13.1,4.2") == 0x83


@pytest.mark.parametrize(
    ("line", "kind", "separator", "body"),
    [
        (b"13.1,4.2,83", "sum8", None, b"13.1,4.2"),
        (b"13.1,4.2*83", "sum8", None, b"13.1,4.2"),
        (b"13.1,4.2*83 ", "sum8", None, b"13.1,4.2"),
        (b"13.1,4.2|83", "sum8", "|", b"13.1,4.2"),
        (b"123456789*4b37", "crc16-modbus", None, b"123456789"),
        (b"123456789;4B37", "crc16-modbus", None, b"123456789"),
        (b"anything*FF", "none", None, b"anything*FF"),
    ],
)
def test_the_check_stands_behind_the_last_mark(line: bytes, kind: str, separator: str | None, body: bytes) -> None:
    """An asterisk first, else the last separator; upper or lower case; blanks at the end do not count."""
    assert checked(line, kind, separator) == (body, None)


@pytest.mark.parametrize("line", [b"13.1,4.2", b"", b"13.1", b"13.1*", b"13.1*8", b"13.1*883", b"13.1*0x", b"13.1*+8"])
def test_a_line_without_its_check_is_not_believed(line: bytes) -> None:
    """Absent, too short, too long or not hex: there is no check."""
    assert checked(line, "sum8")[1] == NO_CHECK


@given(st.binary(max_size=60), st.sampled_from(sorted(CHECKS)))
def test_what_is_sent_with_its_check_is_accepted(body: bytes, kind: str) -> None:
    """Whatever the bytes, behind an asterisk their own check is accepted."""
    function, digits = CHECKS[kind]
    assert checked(body + b"*%0*x" % (digits, function(body)), kind) == (body, None)
