"""Owns the decoder of a broker's messages: a number or a word by itself, or JSON with its fields named by pointers."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator

from logger.decoders.fields import NOT_A_READING, Find, Mapping
from logger.decoders.framing import LineSplitter
from logger.decoders.json_lines import pointer_tokens, resolve
from logger.decoders.lines import UNDECODABLE
from logger.messages import MAX_PAYLOAD, Message, topic_field, unframed
from logger.plan import SourcePlan
from logger.readings import Item, Reject, Remark

TOO_LONG = f"longer than {MAX_PAYLOAD} bytes"
_SHOWN = 60


class TopicDecoder:
    """One message a line, as `messages` writes it.

    Parameters
    ----------
    plan : SourcePlan
        Its channels, their fields as `messages` spells them, and whether retained messages are readings.
    """

    def __init__(self, plan: SourcePlan) -> None:
        fields = {channel.channel: topic_field(str(channel.field)) for channel in plan.channels}
        self._mappings = {
            topic: Mapping(
                dataclasses.replace(plan, channels=tuple(c for c in plan.channels if fields[c.channel].topic == topic))
            )
            for topic in {field.topic for field in fields.values()}
        }
        self._tokens: dict[int | str, list[str] | None] = {
            str(channel.field): None
            if (pointer := fields[channel.channel].pointer) is None
            else pointer_tokens(pointer)
            for channel in plan.channels
        }
        self._takes_retained = plan.retained == "take"
        self._told: set[str] = set()
        # JSON may need six bytes for one of the payload.
        self._splitter = LineSplitter(distrust_first=False, longest=8 * MAX_PAYLOAD)

    def feed(self, data: bytes) -> list[Item]:
        return [item for line in self._splitter.feed(data) for item in self._line(line)]

    def opened(self) -> None:
        self._splitter.opened()

    def finish(self) -> list[Item]:
        return [item for line in self._splitter.finish() for item in self._line(line)]

    def _line(self, line: bytes | Reject) -> Iterator[Item]:
        message = None if isinstance(line, Reject) else unframed(line)
        if isinstance(line, Reject):
            yield line
        elif message is None:
            yield Reject(line, NOT_A_READING)
        elif message.topic in self._mappings:
            yield from self._message(message)

    def _message(self, message: Message) -> Iterator[Item]:
        if message.retained and not self._takes_retained:
            if message.topic not in self._told:
                self._told.add(message.topic)
                text = message.payload[:_SHOWN].decode("utf-8", "replace")
                said = "".join(c if c.isprintable() else "?" for c in text)
                yield Remark(
                    "retained",
                    f"{message.topic}: the broker has kept an older message ({said}); nobody knows of when, so it is "
                    "no reading",
                )
            return
        # With its topic before it a reject can be understood.
        raw = message.topic.encode() + b" " + message.payload
        if len(message.payload) > MAX_PAYLOAD:
            yield Reject(raw, TOO_LONG)
            return
        try:
            text = message.payload.decode("utf-8")
        except UnicodeDecodeError:
            yield Reject(raw, UNDECODABLE)
            return
        yield from self._mappings[message.topic].items(self._finder(text), raw)

    def _finder(self, text: str) -> Find:
        try:
            document = json.loads(text)
        except (ValueError, RecursionError):
            document = None

        def find(field: int | str) -> object:
            tokens = self._tokens[field]
            return text if tokens is None else resolve(document, tokens)

        return find
