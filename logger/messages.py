"""Owns a broker's messages as lines of text, and how the settings name what one holds.

A message travels from the broker to the decoder as one line of JSON, so that it can be kept and played again like the
bytes of any line::

    {"topic": "barge/cabin", "payload": "{\\"volts\\": 41.2}", "retained": false}

A field of the settings is a topic, where its payload is a number or a word in itself, or a topic, ``#`` and a JSON
pointer: ``barge/cabin#/volts``. A topic's name cannot hold a ``#`` (MQTT 3.1.1, 4.7.1).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

TOPIC_RULE = 'write the topic, and for JSON a # and a pointer: "barge/cabin/volts" or "barge/cabin#/volts"'
MAX_PAYLOAD = 65_536
"""Longest payload that is looked into [bytes]."""


@dataclass(frozen=True, slots=True)
class Message:
    """What a broker handed on.

    Attributes
    ----------
    topic : str
        Where it was published.
    payload : bytes
        What was.
    retained : bool
        Whether it was published before we listened, nobody knows when.
    """

    topic: str
    payload: bytes
    retained: bool


@dataclass(frozen=True, slots=True)
class TopicField:
    """What one channel takes from messages: a topic, and a JSON pointer into its payload or None for all of it."""

    topic: str
    pointer: str | None


def topic_field(text: str) -> TopicField:
    """The field that the settings spell.

    Raises
    ------
    ValueError
        They do not; the message is the rule.
    """
    topic, mark, pointer = text.partition("#")
    if "+" in topic or (mark and not pointer.startswith("/")):
        raise ValueError(TOPIC_RULE)
    if not topic or not topic.isprintable() or len(topic.encode()) > 1000:
        raise ValueError(TOPIC_RULE)
    return TopicField(topic, pointer if mark else None)


def framed(message: Message) -> bytes:
    """The message as one line. Bytes that are no UTF-8 stay what they are; a payload is cut past `MAX_PAYLOAD`."""
    payload = message.payload[: MAX_PAYLOAD + 1].decode("utf-8", "surrogateescape")
    line = json.dumps({"topic": message.topic, "payload": payload, "retained": message.retained})
    return line.encode("ascii") + b"\n"


def unframed(line: bytes) -> Message | None:
    """The message of a line; None where it is none."""
    try:
        entry: Any = json.loads(line)
        topic, payload, retained = (
            entry["topic"],
            entry["payload"].encode("utf-8", "surrogateescape"),
            entry["retained"],
        )
    except (ValueError, RecursionError, LookupError, TypeError, AttributeError):
        return None
    return Message(topic, payload, retained) if isinstance(topic, str) and isinstance(retained, bool) else None
