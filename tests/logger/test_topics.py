"""What a broker's messages mean, and how they travel to their decoder."""

from __future__ import annotations

import itertools
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.broker import host_port
from logger.decoders.registry import make
from logger.messages import MAX_PAYLOAD, Message, TopicField, framed, topic_field, unframed
from logger.plan import SourcePlan
from logger.readings import Item, Record, Reject, Remark

from .plans import channel, source

VOLTS, AMPS, STAGE = "bank.house.voltage", "bank.house.current", "controller.cabin.stage"
PLAN = source(
    channel("barge/volts", VOLTS),
    channel("barge/shunt#/a~1b/0", AMPS),
    channel("barge/shunt#/stage", STAGE, is_text=True, words={"3": "bulk"}),
    kind="mqtt",
    broker="127.0.0.1",
)


def decode(*messages: Message, plan: SourcePlan = PLAN) -> list[Item]:
    decoder = make(plan)
    return [*(item for message in messages for item in decoder.feed(framed(message))), *decoder.finish()]


def said(topic: str, payload: str | bytes, retained: bool = False) -> Message:
    return Message(topic, payload if isinstance(payload, bytes) else payload.encode(), retained)


def test_a_payload_is_a_number_a_word_or_json() -> None:
    """Each topic by itself: one message, one record of what it holds."""
    items = decode(said("barge/volts", " 26.4 "), said("barge/shunt", '{"a/b": ["-4.2"], "stage": 3}'))
    assert [dict(item.readings) for item in items if isinstance(item, Record)] == [
        {VOLTS: 26.4},
        {AMPS: -4.2, STAGE: "bulk"},
    ]
    assert len(items) == 2


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        ("nan", "not a reading"),
        ("1e999", "not a reading"),
        ("26,4", "field barge/volts is a damaged number"),
        ("", "not a reading"),
        ("true", "not a reading"),
        ("[26.4]", "not a reading"),
        (b"\xff\xfe", "undecodable"),
        ("1" * (MAX_PAYLOAD + 1), f"longer than {MAX_PAYLOAD} bytes"),
    ],
)
def test_a_payload_that_is_none_is_a_reject_with_its_topic(payload: str | bytes, reason: str) -> None:
    """Strict numbers, as on any line."""
    (item,) = decode(said("barge/volts", payload))
    assert isinstance(item, Reject)
    assert item.reason == reason
    assert item.raw.startswith(b"barge/volts ")


@pytest.mark.parametrize("payload", ["", "{", "26.4", "[" * 5000, '{"a/b": []}', '{"a/b": {"0": null}}'])
def test_json_without_what_is_asked_for(payload: str) -> None:
    """Whatever the payload, one reject, no exception."""
    (item,) = decode(said("barge/shunt", payload))
    assert isinstance(item, Reject)


def test_a_retained_message_is_told_once_a_topic() -> None:
    """Nobody knows since when the broker has it: an event, no reading; unless the settings take it."""
    kept = [said("barge/volts", "21", retained=True)] * 3 + [said("barge/volts", "26.4")]
    told, record = decode(*kept)
    assert isinstance(told, Remark)
    assert told.kind == "retained"
    assert record == decode(said("barge/volts", "26.4"))[0]
    taking = source(*PLAN.channels, kind="mqtt", retained="take")
    assert len([item for item in decode(*kept, plan=taking) if isinstance(item, Record)]) == 4


def test_topics_of_others_say_nothing() -> None:
    """A broker may hand on more than was asked for."""
    assert decode(said("barge/other", "26.4")) == []


PAYLOADS = st.one_of(
    st.binary(max_size=40),
    st.floats().map(lambda x: repr(x).encode()),
    st.dictionaries(st.sampled_from(["a/b", "stage"]), st.lists(st.floats()) | st.integers() | st.text(max_size=5)).map(
        lambda d: json.dumps(d).encode()
    ),
)
MESSAGES = st.builds(
    Message, st.sampled_from(["barge/volts", "barge/shunt"]) | st.text(max_size=5), PAYLOADS, st.booleans()
)


@given(MESSAGES)
def test_a_message_survives_its_line(message: Message) -> None:
    """Any topic, any bytes: one line there, the same message back."""
    line = framed(message)
    assert line.endswith(b"\n")
    assert line.count(b"\n") == 1
    assert unframed(line) == message


@given(st.lists(st.one_of(MESSAGES.map(framed), st.binary(max_size=60)), max_size=10), st.data())
def test_any_chunking_gives_the_same_items(lines: list[bytes], data: st.DataObject) -> None:
    """Messages between noise, cut anywhere: the same items, and nothing is raised."""
    stream = b"".join(lines)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=8)))
    whole, cut = make(PLAN), make(PLAN)
    expected = [*whole.feed(stream), *whole.finish()]
    chunks = [stream[a:b] for a, b in itertools.pairwise([0, *cuts, len(stream)])]
    assert [*(item for chunk in chunks for item in cut.feed(chunk)), *cut.finish()] == expected


@pytest.mark.parametrize(
    "line", [b"", b"1", b"[]", b"{}", b"null", b'{"topic": 1, "payload": "", "retained": false}', b"[" * 9000]
)
def test_what_is_no_message(line: bytes) -> None:
    """Nothing, rather than an exception."""
    assert unframed(line) is None


def test_fields_are_a_topic_and_a_pointer() -> None:
    """A topic's name cannot hold a # (MQTT 3.1.1, section 4.7.1), so it can part the two."""
    assert topic_field("barge/volts") == TopicField("barge/volts", None)
    assert topic_field("barge/shunt#/a/b#") == TopicField("barge/shunt", "/a/b#")


@pytest.mark.parametrize("text", ["", "#", "#/volts", "barge/#", "barge/+/volts", "barge#volts", "a\0b", "x" * 2000])
def test_what_is_no_field_gets_the_rule(text: str) -> None:
    """A channel is fed by one topic: wildcards would mix several devices into it."""
    with pytest.raises(ValueError, match="write the topic"):
        topic_field(text)


@pytest.mark.parametrize(
    ("address", "expected"),
    [
        ("mast", ("mast", 1883)),
        ("127.0.0.1:1884", ("127.0.0.1", 1884)),
        ("[::1]", ("::1", 1883)),
        ("[::1]:1884", ("::1", 1884)),
    ],
)
def test_addresses(address: str, expected: tuple[str, int]) -> None:
    """1883 is the port registered for it (IANA)."""
    assert host_port(address) == expected
