"""What messages mean, format by format."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decoders.json_lines import pointer_tokens, resolve
from logger.decoders.registry import FORMATS, make
from logger.plan import SourcePlan
from logger.readings import Reading, Record, Reject

from .plans import channel, source

VOLTS, AMPS, STAGE = "bank.house.voltage", "bank.house.current", "controller.cabin.stage"


def decode(plan: SourcePlan, *lines: str) -> list[Record | Reject]:
    decoder = make(plan, distrust_first=False)
    return [item for line in lines for item in decoder.feed(line.encode() + b"\n")]


def record(*readings: tuple[str, float | str]) -> Record:
    return Record(tuple(Reading(name, value) for name, value in readings))


PAIR = {
    "delimited": source(channel(1, VOLTS), channel(2, AMPS)),
    "keyvalue": source(channel("V", VOLTS), channel("I", AMPS), format="keyvalue"),
    "json": source(channel("/V", VOLTS), channel("/I", AMPS), format="json"),
    "pattern": source(
        channel("V", VOLTS), channel("I", AMPS), format="pattern", pattern=r"V *(?P<V>[^ ]+)(?: I *(?P<I>[^ ]+))?$"
    ),
}


@pytest.mark.parametrize(
    ("kind", "line"),
    [
        ("delimited", "13.1,4.2"),
        ("delimited", "13.1;4.2"),
        ("delimited", "13.1\t4.2"),
        ("delimited", "  13.1   4.2 "),
        ("delimited", ' 13.1 , "4.2", more'),
        ("keyvalue", "V=13.1,I=4.2"),
        ("keyvalue", "V: 13.1; I: 4.2"),
        ("keyvalue", "$CAB V = 13.1 I = 4.2 T=21"),
        ("json", '{"V": 13.1, "I": "4.2", "more": [1, {}]}'),
        ("pattern", "bank V 13.1 I 4.2"),
    ],
)
def test_each_format_is_read(kind: str, line: str) -> None:
    """The same two readings, however they are written."""
    assert decode(PAIR[kind], line) == [record((VOLTS, 13.1), (AMPS, 4.2))]


@pytest.mark.parametrize(
    ("kind", "line", "reason"),
    [
        ("delimited", "13.1", "field 2 is missing"),
        ("delimited", "13.1,", "field 2 is missing"),
        ("delimited", "13.1,-", "field 2 is missing"),
        ("delimited", "13.1,4.2A", "field 2 is not a number"),
        ("delimited", "13.1,nan", "field 2 is missing"),
        ("delimited", "13.1,inf", "field 2 is not a number"),
        ("delimited", "13.1,1e999", "field 2 is not a number"),
        ("delimited", "13.1,0x1A", "field 2 is not a number"),
        ("delimited", "13.1,1_0", "field 2 is not a number"),
        ("delimited", "13.1,٤", "field 2 is not a number"),
        ("keyvalue", "V=13.1,J=4.2", "field I is missing"),
        ("keyvalue", "V=13.1,I=Infinity", "field I is not a number"),
        ("json", '{"V": 13.1}', "field /I is missing"),
        ("json", '{"V": 13.1, "I": null}', "field /I is missing"),
        ("json", '{"V": 13.1, "I": NaN}', "field /I is not a number"),
        ("json", '{"V": 13.1, "I": true}', "field /I is not a number"),
        ("json", '{"V": 13.1, "I": [4.2]}', "field /I is not a number"),
        ("json", '{"V": 13.1, "I": ' + "9" * 400 + "}", "field /I is not a number"),
        ("pattern", "V 13.1", "field I is missing"),
        ("pattern", "V 13.1 I -inf", "field I is not a number"),
    ],
)
def test_a_bad_field_leaves_the_others(kind: str, line: str, reason: str) -> None:
    """A field that is missing or not a number is a reject of its own; NaN and infinity are never readings."""
    assert decode(PAIR[kind], line) == [record((VOLTS, 13.1)), Reject(line.encode(), reason)]


@pytest.mark.parametrize("text", ["1.", "13.", "1e", "-1e-", "13.1.2", "--1", "4,2"])
@pytest.mark.parametrize("other", ["42", "4.2"])
def test_the_rest_of_a_number_spoils_its_line(text: str, other: str) -> None:
    """Another program took some of the bytes: nothing on such a line can be believed."""
    line = f"V={text};I={other}"
    assert decode(PAIR["keyvalue"], line) == [Reject(line.encode(), "field V is a damaged number")]


@pytest.mark.parametrize(
    ("kind", "line"),
    [
        ("delimited", "boot v1.2"),
        ("delimited", "AT"),
        ("keyvalue", "boot v1.2"),
        ("keyvalue", "J=1"),
        ("keyvalue", "V=13.1,I=4.2,V=13.2,I=4.3"),
        ("json", "boot v1.2"),
        ("json", '{"V": 13.1, "I"'),
        ("json", "13.1"),
        ("json", "[" * 4000),
        ("pattern", "boot v1.2"),
    ],
)
def test_a_line_without_a_reading_is_one_reject(kind: str, line: str) -> None:
    """Boot messages, stray commands, two lines run into one, other formats: one reject each, never an exception."""
    assert decode(PAIR[kind], line) == [Reject(line.encode(), "not a reading")]


@pytest.mark.parametrize("kind", sorted(FORMATS))
def test_blank_lines_say_nothing(kind: str) -> None:
    """Neither a record nor a reject."""
    assert decode(PAIR[kind], "", "   ", "\t") == []


@pytest.mark.parametrize("line", [b"\xff\xfe\x80,12.9", b"\0\0\0013.1,4.2", b"13.1,4.2\0"])
def test_bytes_that_are_no_text_are_rejected(line: bytes) -> None:
    """NULs and what the encoding does not hold."""
    assert make(PAIR["delimited"], distrust_first=False).feed(line + b"\n") == [Reject(line, "undecodable")]


def test_an_encoding_may_be_declared() -> None:
    """A degree sign in one byte is no fault where the settings say so."""
    plan = source(channel("temp °C"), format="keyvalue", encoding="cp1252", separator=";")
    assert make(plan, distrust_first=False).feed(b"temp \xb0C=21.5;x=1\n") == [record((VOLTS, 21.5))]


def test_the_decimal_comma_counts_only_where_declared() -> None:
    """With it, a comma is no separator and a point no point."""
    comma = source(channel(1, VOLTS), channel(2, AMPS), decimal=",")
    assert decode(comma, "13,1;4,2", "13,1 4,2") == [record((VOLTS, 13.1), (AMPS, 4.2))] * 2
    assert decode(comma, "13.1;4,2") == [Reject(b"13.1;4,2", "field 1 is a damaged number")]
    assert decode(PAIR["delimited"], "13,1;4,2") == [Reject(b"13,1;4,2", "field 1 is a damaged number")]


def test_a_declared_separator_is_the_only_one() -> None:
    """As declared, not as found."""
    plan = source(channel(1, VOLTS), channel(2, AMPS), separator="|")
    assert decode(plan, "13.1|4.2", "13.1 | 4.2") == [record((VOLTS, 13.1), (AMPS, 4.2))] * 2


def test_units_are_converted_on_the_way_in() -> None:
    """Stored is sent times scale plus offset: 13,125 mV, 70 °F."""
    plan = source(channel(1, VOLTS, scale=1e-3), channel(2, "air.cabin.temperature", scale=5 / 9, offset=-160 / 9))
    (item,) = decode(plan, "13125,70")
    assert isinstance(item, Record)
    assert [reading.value for reading in item.readings] == pytest.approx([13.125, 21.1111], abs=1e-4)


def test_several_fields_are_averaged() -> None:
    """The mean of those that are numbers; none of them: a reject that names them all."""
    plan = source(channel((1, 2, 3), VOLTS), channel(4, AMPS))
    assert decode(plan, "1,2,6,7", "1,-,2,7") == [record((VOLTS, 3.0), (AMPS, 7.0)), record((VOLTS, 1.5), (AMPS, 7.0))]
    assert decode(plan, "-,-,x,7") == [record((AMPS, 7.0)), Reject(b"-,-,x,7", "no number in fields 1, 2, 3")]


def test_words_become_the_words_kept() -> None:
    """A stage is one of the trade's words, or a reject; a version is kept as it is sent."""
    stage = channel(1, STAGE, is_text=True, words={"3": "bulk", "FLT": "float"})
    plan = source(stage, channel(2, VOLTS))
    assert decode(plan, "3,27.1", "FLT,27.1", "off,27.1") == [
        record((STAGE, word), (VOLTS, 27.1)) for word in ("bulk", "float", "off")
    ]
    assert decode(plan, "9,27.1") == [record((VOLTS, 27.1)), Reject(b"9,27.1", "field 1 is no known word")]
    assert decode(plan, ",27.1") == [record((VOLTS, 27.1)), Reject(b",27.1", "field 1 is missing")]
    version = "controller.cabin.version"
    assert decode(source(channel(1, version, is_text=True)), "1.07b,x") == [record((version, "1.07b"))]
    json = source(channel("/s", STAGE, is_text=True, words={"3": "bulk"}), format="json")
    assert decode(json, '{"s": 3}') == [record((STAGE, "bulk"))]


def test_a_switch_may_be_a_truth_value() -> None:
    """In JSON a fan that runs may be sent as true."""
    plan = source(channel("/fan", "fan.electrics.running", unit="0/1", low=0, high=1), format="json")
    assert decode(plan, '{"fan": true}', '{"fan": false}') == [
        record(("fan.electrics.running", value)) for value in (1.0, 0.0)
    ]


def test_a_check_that_fails_rejects_the_line_whole() -> None:
    """Not one of its fields is a reading."""
    plan = source(channel(1, VOLTS), channel(2, AMPS), checksum="sum8")
    assert decode(plan, "13.1,4.2*83") == [record((VOLTS, 13.1), (AMPS, 4.2))]
    assert decode(plan, "13.1,4.3*83", "13.1,4.2") == [
        Reject(b"13.1,4.3*83", "check does not match"),
        Reject(b"13.1,4.2", "no check"),
    ]


def test_a_board_that_restarts_on_opening() -> None:
    """Boot noise, a boot message, one reading, half a line: one record and three reasons."""
    decoder = make(PAIR["keyvalue"])
    items = decoder.feed(b"\xff\xfe\x80,12.9\r\nboot v1.2\r\nV=13.1,I=4.2\r\nV=13.1,I=")
    assert [*items, *decoder.finish()] == [
        Reject(b"\xff\xfe\x80,12.9", "undecodable"),
        Reject(b"boot v1.2", "not a reading"),
        record((VOLTS, 13.1), (AMPS, 4.2)),
        Reject(b"V=13.1,I=", "incomplete"),
    ]


# RFC 6901, section 5: the document and what each pointer evaluates to (the pointer to the whole document has no
# place in a mapping).
RFC_DOCUMENT = {
    "foo": ["bar", "baz"],
    "": 0,
    "a/b": 1,
    "c%d": 2,
    "e^f": 3,
    "g|h": 4,
    "i\\j": 5,
    'k"l': 6,
    " ": 7,
    "m~n": 8,
}
RFC_POINTERS = [
    ("/foo", ["bar", "baz"]),
    ("/foo/0", "bar"),
    ("/", 0),
    ("/a~1b", 1),
    ("/c%d", 2),
    ("/e^f", 3),
    ("/g|h", 4),
    ("/i\\j", 5),
    ('/k"l', 6),
    ("/ ", 7),
    ("/m~0n", 8),
]


@pytest.mark.parametrize(("pointer", "expected"), RFC_POINTERS)
def test_json_pointers_are_those_of_rfc_6901(pointer: str, expected: object) -> None:
    """Every example of the standard's section 5."""
    assert resolve(RFC_DOCUMENT, pointer_tokens(pointer)) == expected


@pytest.mark.parametrize("pointer", ["/foo/2", "/foo/01", "/foo/-", "/foo/bar", "/x/y", "/a~1b/c"])
def test_a_pointer_to_nothing_finds_nothing(pointer: str) -> None:
    """Leading zeros and the dash are no index of an element (RFC 6901, section 4)."""
    assert resolve(RFC_DOCUMENT, pointer_tokens(pointer)) is None


SENTENCES = st.lists(
    st.one_of(
        st.sampled_from(
            ["13.1,4.2", "V=13.1,I=4.2", '{"V": 1, "I": 2}', "V 1 I 2", "1.,2", "V=1.", "", "boot", "x" * 5000]
        ),
        st.text(max_size=30),
    ).map(lambda text: text.encode("utf-8", "surrogatepass")),
    max_size=12,
)


@given(st.sampled_from(sorted(PAIR)), SENTENCES, st.sampled_from([b"\r", b"\n", b"\r\n"]), st.data())
def test_any_chunking_gives_the_same_items(kind: str, sentences: list[bytes], end: bytes, data: st.DataObject) -> None:
    """The whole decoder, not only its framing: no chunking changes a record or a reject, and nothing is raised."""
    stream = end.join(sentences)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=12)))
    whole, cut = make(PAIR[kind]), make(PAIR[kind])
    expected = [*whole.feed(stream), *whole.finish()]
    edges = [0, *cuts, len(stream)]
    pieces = [stream[a:b] for a, b in itertools.pairwise(edges)]
    assert [*(item for piece in pieces for item in cut.feed(piece)), *cut.finish()] == expected


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_finite_number_survives(value: float) -> None:
    """A number printed with all its digits is read back bit for bit, in each format."""
    for kind, line in (("delimited", "{0!r},1"), ("keyvalue", "V={0!r},I=1"), ("json", '{{"V": {0!r}, "I": 1}}')):
        assert decode(PAIR[kind], line.format(value)) == [record((VOLTS, value), (AMPS, 1.0))]
