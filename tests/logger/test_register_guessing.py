"""What registers can mean: all that is plausible is shown, and the truth is always among it."""

from __future__ import annotations

import struct
import tomllib

from hypothesis import given
from hypothesis import strategies as st

from logger.register_guessing import candidates, likeliest, proposal

ORDERS = {"ABCD": ("big", "big"), "CDAB": ("big", "little"), "BADC": ("little", "big"), "DCBA": ("little", "little")}


def words(number: float, letters: str) -> dict[int, int]:
    """A float's two registers at 40 and 41, its four bytes in the order of the letters."""
    data = struct.pack(">f", number)
    turned = bytes(data["ABCD".index(letter)] for letter in letters)
    return dict(zip((40, 41), struct.unpack(">2H", turned), strict=True))


@given(
    number=st.floats(2.0**-9, 2.0**23, width=32) | st.floats(-1000, -0.0078125, width=32),
    letters=st.sampled_from(sorted(ORDERS)),
)
def test_the_true_reading_is_always_shown(number: float, letters: str) -> None:
    """Whatever the order that the unit has."""
    shown = candidates(words(number, letters), 3, 4)[40]
    assert any(c.value == number and c.register.type in ("float32", "uint32", "int32") for c in shown)


def test_a_float_in_one_order_alone_is_proposed() -> None:
    """12.6 with its low word first: the other orders give 792,986 and nothing at all, so this one is proposed."""
    chosen = likeliest(candidates(words(12.6, "CDAB"), 3, 4))
    assert [(c.register.type, c.register.word_order, round(c.value, 3)) for c in chosen] == [
        ("float32", "little", 12.6)
    ]
    block = tomllib.loads(proposal(chosen, {"port": "/dev/ttyUSB0", "baud": 9600}))["source"][0]
    assert block["kind"] == "modbus"
    assert block["channel"] == [
        {
            "node": 3,
            "address": 40,
            "type": "float32",
            "function": 4,
            "word_order": "little",
            "channel": "CHOOSE.ONE.CHANNEL",
        }
    ]


def test_signs_are_shown() -> None:
    """65515 is also -21: both are shown, the unsigned first."""
    shown = candidates({0: 65515}, 1, 3)[0]
    assert [(c.register.type, c.value) for c in shown if c.register.byte_order == "big"] == [
        ("uint16", 65515),
        ("int16", -21),
    ]


def test_nothing_is_shown_twice_and_nothing_that_is_no_number() -> None:
    """Zeros have one reading; the pattern of NaN is no float."""
    assert [c.value for c in candidates({0: 0}, 1, 3)[0]] == [0]
    shown = candidates({0: 0x7FC0, 1: 0}, 1, 3)[0]
    assert all(c.value == c.value for c in shown)
    assert not any(
        c.register.type == "float32" and c.register.word_order == "big" == c.register.byte_order for c in shown
    )


def test_each_register_is_proposed_once() -> None:
    """A pair that makes a float is not proposed again as whole numbers."""
    found = candidates({**words(230.5, "ABCD"), 42: 7, 50: 9}, 1, 3)
    assert [(c.register.address, c.register.width) for c in likeliest(found)] == [(40, 2), (42, 1), (50, 1)]
