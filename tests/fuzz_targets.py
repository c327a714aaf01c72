"""What is fuzzed: every decoder, as it stands and behind a check that is right, and what lies between wire and decoder.

Bytes of any kind seldom pass a check. So each format that has one is also given them with the check put right, a
broker's messages as payloads of the topics that are listened to, registers as sound answers to sound questions. The
wire of a Modbus and the files of 1-Wire sensors are given theirs through the code that reads them.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path

from logger.capture import pieces
from logger.clock import SystemClock
from logger.decoders.checksums import CHECKS, crc16_modbus, xor8
from logger.decoders.csv_table import CsvTable
from logger.decoders.nmea_fields import QUANTITIES
from logger.decoders.registry import FORMATS, make
from logger.errors import ImportFault, LineFault
from logger.exchange import Question, packed
from logger.messages import Message, framed
from logger.plan import ChannelPlan, RegisterPlan, SourcePlan, TimePlan
from logger.readings import Item, Record, Reject, Remark, TimeEvidence
from logger.sources.modbus_wire import TcpWire, find, frame
from logger.sources.onewire import SensorLine

Target = Callable[[list[bytes]], None]
"""Takes the chunks of a stream; raises AssertionError where what comes out is not sound."""

CAPTURES = Path(__file__).parents[1] / "fixtures" / "captures"
_STAGE = "controller.cabin.stage"
_FIELDS: dict[str, tuple[int | str, int | str, int | str]] = {
    "delimited": (1, 2, 3),
    "keyvalue": ("V", "I", "S"),
    "json": ("/V", "/I", "/S"),
    "pattern": ("V", "I", "S"),
    "csv": ("v", "i", "s"),
    "mqtt": ("barge/volts", "barge/cabin#/I", "barge/cabin#/a~1b/0"),
}
_SENTENCE_FIELDS = (*QUANTITIES, "XDR C ENCL0", "XDR U", "MTW 1", "GGA 7", "HCHDG 1")
_SENSORS = ("28-000005e2fdc3", "28-000005e2fdc4")
_MOST_ANSWER = 250


def plans() -> dict[str, list[SourcePlan]]:
    """Every format with every check, with points and commas, in UTF-8 and in an old encoding."""
    made: dict[str, list[SourcePlan]] = {}
    for name in (*FORMATS, "csv", "mqtt"):
        checks = ("none", "sum8", "xor8", "crc16-modbus") if name in FORMATS else ("none",)
        made[name] = [
            _plan(name, check, decimal, encoding)
            for check in checks
            for decimal in (".", ",")
            for encoding in ("utf-8-sig", "cp1252")
        ]
    made["nmea0183"] = [SourcePlan("fuzz", "nmea0183", tuple(_any(f) for f in _SENTENCE_FIELDS))]
    made["onewire"] = [SourcePlan("fuzz", "onewire", tuple(_any(f) for f in _SENSORS), every_s=0.0)]
    made["modbus"] = [SourcePlan("fuzz", "modbus", tuple(_registers()))]
    return made


def _any(field: int | str, register: RegisterPlan | None = None) -> ChannelPlan:
    # The decoder asks no vocabulary: what a channel is called says only where a value came from.
    return ChannelPlan(field, f"fuzz.{field}", "", 1.0, 0.0, -math.inf, math.inf, register=register)


def _registers() -> Iterable[ChannelPlan]:
    kinds = ("int16", "uint16", "int32", "uint32", "float32")
    for address, kind in enumerate((*kinds, *kinds)):
        order = "big" if address < len(kinds) else "little"
        register = RegisterPlan(1, 3, address, kind, "big" if address % 2 else "little", order)
        yield _any(register.label, register)


def _plan(name: str, check: str, decimal: str, encoding: str) -> SourcePlan:
    volts, amps, stage = _FIELDS[name]
    channels = (
        ChannelPlan(volts, "bank.house.voltage", "V", 1.0, 0.0, -1.0, 150.0),
        ChannelPlan(amps, "bank.house.current", "A", 1.0, 0.0, -3000.0, 3000.0),
        ChannelPlan(stage, _STAGE, "text", 1.0, 0.0, 0.0, 0.0, {"7": "bulk"}, is_text=True),
    )
    when = TimePlan("time", None, None, "Europe/Paris", None, "instant", None, None) if name == "csv" else None
    pattern = r"V\W*(?P<V>[^ ]+)(?: I\W*(?P<I>[^ ]+))?(?: S\W*(?P<S>.*))?$" if name == "pattern" else None
    return SourcePlan(
        "fuzz",
        name if name in ("csv", "mqtt") else "serial",
        channels,
        format=name if name in FORMATS else "delimited",
        checksum=check,
        pattern=pattern,
        time=when,
        decimal=decimal,
        encoding=encoding,
        retained="take" if decimal == "," else "skip",
    )


def targets() -> dict[str, list[Target]]:
    """All that is fuzzed, by name."""
    made = plans()
    found: dict[str, list[Target]] = {
        name: [_as_it_stands(plan) for plan in each] for name, each in made.items() if name != "csv"
    }
    found["csv"] = [_table(plan) for plan in made["csv"]]
    found["lines, checks right"] = [
        _through(plan, partial(_line, plan)) for name in FORMATS for plan in made[name] if plan.checksum != "none"
    ]
    found["sentences, checks right"] = [_through(made["nmea0183"][0], _sentence)]
    found["payloads of topics"] = [_through(plan, _payloads) for plan in made["mqtt"]]
    found["registers, checks right"] = [_through(made["modbus"][0], _answer)]
    found["wire of a Modbus"] = [_wire, _wire_tcp]
    found["files of sensors"] = [_sensor_files]
    return found


def seeds() -> list[bytes]:
    """What the captures hold, the beginnings of their streams."""
    raw = [path.read_bytes() for path in sorted(CAPTURES.glob("*/*/input.*")) if path.suffix != ".capture"]
    kept = [b"".join(piece.data for piece in pieces(path)) for path in sorted(CAPTURES.glob("*/*/input.capture"))]
    return [data[:500] for data in raw + kept if data]


# -- decoders -------------------------------------------------------------------------------------------------


def _as_it_stands(plan: SourcePlan) -> Target:
    return _through(plan, lambda chunk: chunk)


def _through(plan: SourcePlan, wrapped: Callable[[bytes], bytes]) -> Target:
    def give(chunks: list[bytes]) -> None:
        decoder = make(plan)
        decoder.opened()
        for chunk in chunks:
            _sound(decoder.feed(wrapped(chunk)))
        _sound(decoder.finish())

    return give


def _table(plan: SourcePlan) -> Target:
    def give(chunks: list[bytes]) -> None:
        table = CsvTable(plan, "fuzz.csv")
        try:
            blocks = [table.feed(chunk) for chunk in chunks] + [table.finish()]
        except ImportFault:
            return  # it does not fit the mapping, in words
        for block in blocks:
            for channel, column in zip(plan.channels, block.columns, strict=True):
                assert len(column) == len(block.times)
                for value in column:
                    if value is not None:
                        _sound_value(channel.channel, value)

    return give


def _sound(items: Iterable[Item]) -> None:
    for item in items:
        if isinstance(item, Record):
            for reading in item.readings:
                _sound_value(reading.channel, reading.value)
        elif isinstance(item, Reject):
            assert isinstance(item.raw, bytes)
            item.reason.encode("utf-8")
        elif isinstance(item, TimeEvidence):
            assert 0 < item.utc_ms < 2**53
        else:
            assert isinstance(item, Remark)
            item.text.encode("utf-8")


def _sound_value(channel: str, value: float | str) -> None:
    if channel == _STAGE:
        assert isinstance(value, str)
        value.encode("utf-8")
    else:
        assert isinstance(value, float)
        assert math.isfinite(value)


# -- what stands around the bytes -----------------------------------------------------------------------------


def _line(plan: SourcePlan, body: bytes) -> bytes:
    body = body.translate(None, b"\r\n")
    function, digits = CHECKS[plan.checksum]
    return b"%s*%0*x\n" % (body, digits, function(body))


def _sentence(body: bytes) -> bytes:
    body = body.translate(None, b"\r\n$!*")
    return b"$%s*%02X\r\n" % (body, xor8(b"$" + body))


def _payloads(payload: bytes) -> bytes:
    return b"".join(
        framed(Message(topic, payload, retained))
        for topic in ("barge/volts", "barge/cabin")
        for retained in (False, True)
    )


def _answer(data: bytes) -> bytes:
    """A sound answer to a sound question, its first address and its registers as the bytes have it."""
    first, data = (data[0] % 12, data[1:_MOST_ANSWER]) if data else (0, b"\0\0")
    data += b"\0" * (2 - len(data) if len(data) < 2 else len(data) % 2)
    body = bytes([1, 3, len(data)]) + data
    return packed(frame(Question(1, 3, first, len(data) // 2)), body + crc16_modbus(body).to_bytes(2, "little"))


def _wire(chunks: list[bytes]) -> None:
    """Whatever stands on the wire: an answer is found in it, or none; what is found answers the question."""
    received, question = b"".join(chunks), Question(1, 3, 0, 6)
    answer = find(received, question)
    if answer is not None:
        assert answer in received
        assert crc16_modbus(answer) == 0
        assert answer[0] == question.node


def _wire_tcp(chunks: list[bytes]) -> None:
    wire = TcpWire(SourcePlan("fuzz", "modbus", (), host="127.0.0.1"))
    for chunk in chunks:
        wire._received += chunk
        try:
            frames = wire._frames()
        except LineFault:
            return  # what answers there is no Modbus, in words
        for _, number, pdu in frames:
            assert 0 <= number <= 0xFFFF
            assert len(pdu) >= 1
        assert len(wire._received) < 512


def _sensor_files(chunks: list[bytes]) -> None:
    """Each chunk is what the kernel's files say in turn; an empty one says nothing, as where a sensor is away."""
    plan = plans()["onewire"][0]
    decoder = make(plan)
    notes: list[str] = []
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
        line = SensorLine(
            SourcePlan("fuzz", "onewire", plan.channels, every_s=0.0, folder=folder), SystemClock(), notes.append
        )
        for chunk in chunks:
            for sensor, name in zip(_SENSORS, ("w1_slave", "temperature"), strict=True):
                (Path(folder) / sensor).mkdir(exist_ok=True)
                (Path(folder) / sensor / name).write_bytes(chunk)
                _sound(decoder.feed(line.read()))
