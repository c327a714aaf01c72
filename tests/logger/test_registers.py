"""What registers mean: every type in every order, and an answer that is believed only as the answer to its question."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.framer import FramerRTU

from logger.batches import LiveBatch
from logger.decoders.checksums import crc16_modbus
from logger.decoders.registers import FORMATS, RegisterDecoder, value
from logger.exchange import HEAD_BYTES, packed
from logger.plan import ChannelPlan, RegisterPlan, SourcePlan
from logger.readings import Reading, Record, Reject

TYPES = {kind: getattr(ModbusClientMixin.DATATYPE, kind.upper()) for kind in FORMATS}
ORDERS = {"ABCD": ("big", "big"), "CDAB": ("big", "little"), "BADC": ("little", "big"), "DCBA": ("little", "little")}
"""Byte order and word order by the letters that manuals write for the four bytes of a value."""


def register(address: int = 0, kind: str = "uint16", node: int = 1, orders: str = "ABCD") -> RegisterPlan:
    return RegisterPlan(node, 3, address, kind, *ORDERS[orders])


def entry(place: RegisterPlan, channel: str = "bank.house.voltage", scale: float = 1.0) -> ChannelPlan:
    return ChannelPlan(place.label, channel, "V", scale, 0.0, -1.0, 150.0, register=place)


def plan(*channels: ChannelPlan, **more: object) -> SourcePlan:
    return SourcePlan("bus", "modbus", channels, port="/dev/null", **more)  # type: ignore[arg-type]


def crc(frame: bytes) -> bytes:
    return frame + FramerRTU.compute_CRC(frame).to_bytes(2, "big")


def question(address: int, count: int, node: int = 1, function: int = 3) -> bytes:
    return crc(struct.pack(">BBHH", node, function, address, count))


def answer(*registers: int, node: int = 1, function: int = 3) -> bytes:
    return crc(struct.pack(f">BBB{len(registers)}H", node, function, 2 * len(registers), *registers))


def values(items: list[Record | Reject]) -> list[float | str]:
    return [reading.value for item in items if isinstance(item, Record) for reading in item.readings]


def reasons(items: list[Record | Reject]) -> list[str]:
    return [item.reason for item in items if isinstance(item, Reject)]


# The letters of the four orders, and the values, as manuals print them; registers computed with struct, and the first
# two with a public converter.
@pytest.mark.parametrize(
    ("number", "written"),
    [
        (123.45, {"ABCD": "42F6E666", "CDAB": "E66642F6", "BADC": "F64266E6", "DCBA": "66E6F642"}),
        (1.005, {"ABCD": "3F80A3D7", "CDAB": "A3D73F80", "BADC": "803FD7A3", "DCBA": "D7A3803F"}),
        (-118.625, {"ABCD": "C2ED4000", "CDAB": "4000C2ED", "BADC": "EDC20040", "DCBA": "0040EDC2"}),
        (12.6, {"ABCD": "4149999A", "CDAB": "999A4149", "BADC": "49419A99", "DCBA": "9A994941"}),
    ],
)
def test_a_float_in_the_four_orders(number: float, written: dict[str, str]) -> None:
    """IEEE 754 single precision, bytes and words in either order."""
    for letters, digits in written.items():
        words = struct.unpack(">2H", bytes.fromhex(digits))
        assert value(words, register(kind="float32", orders=letters)) == pytest.approx(number, rel=1e-7)


def test_words_in_the_wrong_order_are_no_plausible_value() -> None:
    """123.45 so read is -2.7184e+23 (computed with struct): out of any channel's range, marked and left out."""
    place = register(kind="float32", orders="CDAB")
    (read,) = values(RegisterDecoder(plan(entry(place))).feed(packed(question(0, 2), answer(0x42F6, 0xE666))))
    assert read == pytest.approx(-2.7184e23, rel=1e-4)
    said = LiveBatch(
        "bus", "reading", {"bank.house.voltage": entry(place)}, ((0, Record((Reading("bank.house.voltage", read),))),)
    )
    channels = type("FakeChannels", (), {"ids": {"bank.house.voltage": 1}})()
    assert said._rows(channels)[1] == [((0, 1), "out of range")]


@pytest.mark.parametrize(
    ("kind", "words", "number"),
    [("int16", (0xFFF6,), -10), ("int32", (0xFFFF, 0xFF85), -123), ("uint32", (0x0001, 0x86A0), 100_000)],
)
def test_whole_numbers(kind: str, words: tuple[int, ...], number: int) -> None:
    """Two's complement, the more significant word first."""
    assert value(words, register(kind=kind)) == number


@given(data=st.data(), kind=st.sampled_from(sorted(FORMATS)), letters=st.sampled_from(sorted(ORDERS)))
def test_every_type_in_every_order(data: st.DataObject, kind: str, letters: str) -> None:
    """What pymodbus encodes is read back, whichever way the bytes of each word and the words are turned."""
    low, high = (-(2.0**20), 2.0**20) if kind == "float32" else _limits(kind)
    numbers = st.floats(low, high, width=32) if kind == "float32" else st.integers(int(low), int(high))
    number = data.draw(numbers)
    byte_order, word_order = ORDERS[letters]
    words = ModbusClientMixin.convert_to_registers(number, TYPES[kind], "little" if word_order == "little" else "big")
    if byte_order == "little":
        words = [(word & 0xFF) << 8 | word >> 8 for word in words]
    assert value(words, register(kind=kind, orders=letters)) == number


def _limits(kind: str) -> tuple[int, int]:
    bits = int(kind[-2:])
    return (0, 2**bits - 1) if kind.startswith("u") else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)


def test_words_and_signs_as_devices_send_them() -> None:
    """The low word first: 13.5 and 5.125, in that order. 65515 and 65535 in tenths are -2.1 and -0.1."""
    channels = (
        entry(register(0, "float32", orders="CDAB")),
        entry(register(2, "float32", orders="CDAB"), "bank.house.current"),
        entry(register(4, "int16"), "bank.house.temperature", 0.1),
        entry(register(5, "int16"), "air.outside.temperature", 0.1),
    )
    raw = packed(question(0, 6), answer(0x0000, 0x4158, 0x0000, 0x40A4, 65515, 65535))
    assert values(RegisterDecoder(plan(*channels)).feed(raw)) == pytest.approx([13.5, 5.125, -2.1, -0.1])


def test_the_wrong_order_is_told_where_it_shows() -> None:
    """13.5 with its words turned is 2.3e-41: no instrument measures that, and no reading is made of it."""
    items = RegisterDecoder(plan(entry(register(0, "float32")))).feed(packed(question(0, 2), answer(0x0000, 0x4158)))
    assert values(items) == []
    assert any("is the order right?" in reason for reason in reasons(items))


@pytest.mark.parametrize("words", [(0x7FC0, 0x0000), (0x7F80, 0x0000), (0xFF80, 0x0000)])
def test_no_number_is_no_reading(words: tuple[int, int]) -> None:
    """NaN and the infinities of IEEE 754."""
    items = RegisterDecoder(plan(entry(register(0, "float32")))).feed(packed(question(0, 2), answer(*words)))
    assert values(items) == []
    assert any("is missing" in reason for reason in reasons(items))


def test_a_neighbour_of_nothing_is_kept() -> None:
    """One value that is not there takes no other with it; `missing` names what a device sends for nothing."""
    channels = entry(register(0)), entry(register(1), "bank.house.current")
    items = RegisterDecoder(plan(*channels, missing=("65535",))).feed(packed(question(0, 2), answer(65535, 42)))
    assert values(items) == [42]
    assert len(reasons(items)) == 1


# Frames of the MODBUS Application Protocol V1.1b3 (6.3) with their CRC as published; the exception's is computed.
FRAMES = ["1103006B00037687", "110306AE415652434049AD", "110306022B00000064C8BA", "01030000000AC5CD", "118302C134"]


@pytest.mark.parametrize("digits", FRAMES)
def test_published_frames_have_no_residue(digits: str) -> None:
    """The CRC over a frame with its own CRC is 0; ours and pymodbus' are one."""
    frame = bytes.fromhex(digits)
    assert crc16_modbus(frame) == 0
    assert crc(frame[:-2]) == frame


def test_a_published_answer_to_its_question() -> None:
    """Unit 17, three registers from 107 on: 44609, 22098, 17216."""
    channels = [
        entry(register(107 + i, node=17), name)
        for i, name in enumerate(["bank.house.voltage", "bank.house.current", "bank.house.temperature"])
    ]
    raw = packed(bytes.fromhex(FRAMES[0]), bytes.fromhex(FRAMES[1]))
    assert values(RegisterDecoder(plan(*channels)).feed(raw)) == [44609, 22098, 17216]


@pytest.mark.parametrize(
    ("sent", "reason"),
    [
        (b"", "no answer"),
        (answer(5)[:-1], "check does not match"),
        (answer(5, node=2), "answer of node 2, asked was node 1"),
        (answer(5, function=4), "answer to another question"),
        (answer(5, 6), "answer to another question"),
        (crc(b"\x01\x83\x02"), "exception 02 (no such register) at 0 of node 1"),
        (crc(b"\x01\x83\x63"), "exception 99 (unknown) at 0 of node 1"),
    ],
)
def test_what_is_no_answer_is_rejected(sent: bytes, reason: str) -> None:
    """Unit, function, length and CRC must be those of the question."""
    items = RegisterDecoder(plan(entry(register(0)))).feed(packed(question(0, 1), sent))
    assert reasons(items) == [reason]
    assert values(items) == []


@given(flips=st.sets(st.integers(0, 7 * 8 - 1), min_size=1, max_size=3))
def test_a_few_flipped_bits_never_make_a_value(flips: set[int]) -> None:
    """Up to three bits of a short frame: CRC-16 finds them all."""
    sent = bytearray(answer(131))
    for bit in flips:
        sent[bit // 8] ^= 1 << bit % 8
    assert values(RegisterDecoder(plan(entry(register(0)))).feed(packed(question(0, 1), bytes(sent)))) == []


@given(data=st.binary(max_size=400), cuts=st.lists(st.integers(1, 40), max_size=30))
def test_nothing_that_comes_is_an_exception(data: bytes, cuts: list[int]) -> None:
    """Noise in any chunking gives rejects, and what is held back stays small."""
    decoder = RegisterDecoder(plan(entry(register(0))))
    items, at = [], 0
    for size in [*cuts, len(data)]:
        items += decoder.feed(data[at : at + size])
        at += size
    assert values(items + decoder.finish()) == []


def test_any_chunking_gives_the_same() -> None:
    """Exchanges split anywhere."""
    raw = b"".join(packed(question(0, 1), answer(number)) for number in (1, 2, 3))
    for size in range(1, len(raw) + 1):
        decoder = RegisterDecoder(plan(entry(register(0))))
        items: list[Record | Reject] = []
        for start in range(0, len(raw), size):
            items += decoder.feed(raw[start : start + size])
        assert values(items) == [1, 2, 3]


def test_half_an_exchange_is_a_reject() -> None:
    """What a lost line leaves, and a new opening forgets."""
    decoder = RegisterDecoder(plan(entry(register(0))))
    raw = packed(question(0, 1), answer(7))
    assert decoder.feed(raw[:HEAD_BYTES]) == []
    assert reasons(decoder.finish()) == ["half an exchange"]
    decoder.feed(raw[:5])
    decoder.opened()
    assert values(decoder.feed(raw)) == [7]


def test_words_for_codes() -> None:
    """A stage is a register whose codes have words."""
    place = register(9)
    stage = ChannelPlan(
        place.label, "controller.cabin.stage", "text", 1.0, 0.0, 0.0, 0.0, {"3": "bulk"}, is_text=True, register=place
    )
    assert values(RegisterDecoder(plan(stage)).feed(packed(question(9, 1), answer(3)))) == ["bulk"]
