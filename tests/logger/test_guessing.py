"""Guessing what a strange device sends."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger import settings_file
from logger.decoders.checksums import CHECKS
from logger.decoders.registry import make
from logger.errors import SettingsError
from logger.guessing import PLACEHOLDER, guess, proposal, readable
from logger.readings import Record
from logger.sources.known_lines import known_lines

SITE = """
[site]
name = "Lapwing"
latitude = 47.58
longitude = -2.90
timezone = "Europe/Paris"
moored = "swinging"
[store]
path = "lapwing.db"
[bank]
name = "house"
"""

CHANNELS = ("bank.house.voltage", "bank.house.current", "bank.house.temperature", "air.cabin.temperature")


def with_check(kind: str, body: str) -> bytes:
    function, digits = CHECKS[kind]
    return f"{body}*{function(body.encode()):0{digits}X}".encode()


SPEECH = [
    ("delimited", [b"13.1,4.2,21", b"13.2,4.3,21"]),
    ("delimited", [b"13,1;4,2;21,0", b"13,2;4,3;21,5"]),
    ("delimited", [b"13.1\t4.2\t21", b"13.2\t4.3\t22"]),
    ("delimited", [b"13.1  4.2 21", b" 13.2 4.3  22"]),
    ("delimited", [with_check("sum8", "13.1,4.2"), with_check("sum8", "13.2,4.3")]),
    ("keyvalue", [b"V=13.1,I=4.2", b"V=13.2,I=4.3"]),
    ("keyvalue", [b"boot v1.2", b"sun_v=47.89; sun_a=5.44; doing=fill", b"sun_v=47.9; sun_a=5.5; doing=fill"]),
    ("keyvalue", [with_check("xor8", "$CAB,V=13.1,I=4.2"), with_check("xor8", "$CAB,V=13.2,I=4.3")]),
    ("keyvalue", ["V=13.1,I=4.2,S=Wärme".encode("cp1252"), "V=13.2,I=4.3,S=Kälte".encode("cp1252")]),
    ("delimited", ["13.1;4.2;°C".encode("cp1252"), "13.2;4.3;°C".encode("cp1252")]),
    ("json", [b'{"bank":{"mV":28260},"air":[17.7,19.8],"a/b":1}'] * 2),
    ("json", [with_check("crc16-modbus", '{"V": 13.1}'), with_check("crc16-modbus", '{"V": 13.2}')]),
]


@pytest.mark.parametrize(("kind", "lines"), SPEECH)
def test_what_is_proposed_reads_what_was_heard(kind: str, lines: list[bytes]) -> None:
    """Once the channels are chosen the settings are right, and their decoder takes every line of data."""
    found = guess(lines)
    assert found.format == kind
    block = proposal(found, "/dev/serial/by-id/usb-adapter", 19200)
    with pytest.raises(SettingsError, match=PLACEHOLDER):
        settings_file.parse(SITE + block)
    source = tomllib.loads(block)["source"][0]
    numeric = [
        channel["field"]
        for channel, (_, example) in zip(source["channel"], found.fields, strict=True)
        if any(c.isdigit() for c in example)
    ]
    for channel in CHANNELS[: len(numeric)]:
        block = block.replace(PLACEHOLDER, channel, 1) if channel else block
    text = SITE + "[[source.channel]]".join(block.split("[[source.channel]]")[: 1 + len(numeric)])
    (plan,) = settings_file.plan(_located(text)).sources
    decoder = make(plan, distrust_first=False)
    items = [item for line in lines for item in decoder.feed(line + b"\n")]
    records = [item for item in items if isinstance(item, Record)]
    assert len(records) == len([line for line in lines if not line.startswith(b"boot")])
    assert all(len(record.readings) == len(numeric) for record in records)


def _located(text: str) -> settings_file.Located:
    return settings_file.Located(
        settings=settings_file.parse(text), path=Path("/lapwing/noonmark.toml"), text=text, hash="h"
    )


def test_words_that_fit_nothing_are_said_to_fit_nothing() -> None:
    """The person gets a pattern to fill in."""
    found = guess([b"bank at 13.1 volts", b"array is at 47"])
    assert found.format is None
    assert "pattern = '(?P<volts>" in proposal(found, "/dev/ttyS0", 9600)


@pytest.mark.parametrize(
    "noise",
    [
        b"\xff\xfe\x80,12.9",
        b"\xff\xe9\xc1\xf1,12.9",
        b"13.1\x80\xb0,12.9",
        b"\x00\x00",
        b"x",
        b"",
        b"hello",
        b"13.1\x02",
    ],
)
def test_noise_of_another_speed_is_not_readable(noise: bytes) -> None:
    """Bytes that are no text, too short, or without a figure."""
    assert not readable(noise)


@given(st.lists(st.text(min_size=2).map(str.encode).filter(readable), min_size=1, max_size=5))
def test_whatever_is_said_a_proposal_is_toml(lines: list[bytes]) -> None:
    """No line can break the guess or the block."""
    assert tomllib.loads(proposal(guess(lines), "/dev/ttyS0", 9600))["source"][0]["baud"] == 9600


@dataclass(frozen=True)
class FakePort:
    """What pyserial tells of a device."""

    device: str
    description: str
    manufacturer: str | None
    serial_number: str | None


def test_lines_go_by_serial_number_else_by_socket(tmp_path: Path) -> None:
    """Two adapters without a serial number would share a name by id: the socket tells them apart."""
    for name in ("ttyUSB0", "ttyUSB1", "ttyUSB2", "ttyS0"):
        (tmp_path / name).touch()
    for folder, link, name in (
        ("by-id", "usb-numbered", "ttyUSB0"),
        ("by-path", "socket-1", "ttyUSB0"),
        ("by-id", "usb-nameless", "ttyUSB1"),
        ("by-path", "socket-2", "ttyUSB1"),
    ):
        (tmp_path / folder).mkdir(exist_ok=True)
        (tmp_path / folder / link).symlink_to(tmp_path / name)
    ports = [
        FakePort(str(tmp_path / "ttyS0"), "ttyS0", None, None),
        FakePort(str(tmp_path / "ttyUSB0"), "USB adapter", "Someone", "A1"),
        FakePort(str(tmp_path / "ttyUSB1"), "n/a", None, None),
        FakePort(str(tmp_path / "ttyUSB2"), "n/a", None, None),
    ]
    lines = known_lines(ports, tmp_path)
    assert [(Path(line.name).name, line.about, line.stable) for line in lines] == [
        ("usb-numbered", "Someone, USB adapter, serial number A1", True),
        ("socket-2", "", True),
        ("ttyS0", "", True),
        ("ttyUSB2", "", False),
    ]


def test_sentences_of_navigation_instruments_are_known() -> None:
    """What they tell is proposed with the channels that it usually is; a transducer is left to be chosen."""
    bodies = [
        "GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W",
        "GPGSV,1,1,00",
        "HEHDT,123.4,T",
        "IIXDR,C,41.5,C,ENCL0,U,35.20,V,PV0",
    ]
    lines = [b"$" + with_check("xor8", body) for body in bodies]
    found = guess(lines)
    assert found.format == "nmea0183"
    block = proposal(found, "/dev/serial/by-id/usb-adapter", 4800)
    (source,) = tomllib.loads(block)["source"]
    assert source["kind"] == "nmea0183"
    assert {entry["field"]: entry["channel"] for entry in source["channel"]} == {
        "latitude": "site.position.latitude",
        "longitude": "site.position.longitude",
        "heading": "site.attitude.heading",
        "XDR C ENCL0": PLACEHOLDER,
        "XDR U PV0": PLACEHOLDER,
    }
    chosen = block.replace(PLACEHOLDER, "air.cabin.temperature", 1).replace(PLACEHOLDER, "bank.house.voltage")
    (plan,) = settings_file.plan(_located(SITE + chosen)).sources
    items = [item for line in lines for item in make(plan).feed(line + b"\n")]
    assert sum(len(item.readings) for item in items if isinstance(item, Record)) == 5


def test_lines_that_only_look_like_sentences() -> None:
    """Without valid checks they are something else."""
    assert guess([b"$CABIN,V=13.1*00", b"$CABIN,V=13.2*00"]).format != "nmea0183"
