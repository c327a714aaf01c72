"""Owns what only shows between the tables of the settings: names, references, channels, fields."""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Callable, Iterator
from typing import Any

from pydantic import ValidationError

from logger import vocabulary
from logger.decoders import nmea_fields
from logger.errors import UnknownChannel, UnknownUnit
from logger.messages import TOPIC_RULE, topic_field
from logger.settings import Source, SourceChannel
from logger.settings_mistakes import LISTS, shown
from logger.shapes import FieldRefs
from logger.units import conversion

_NAMED_KINDS = ("array", "controller", "bank", "enclosure", "fan")
_REFERENCES = (
    ("array", "controller", "controller"),
    ("controller", "enclosure", "enclosure"),
    ("fan", "enclosure", "enclosure"),
)

_REGISTER_KEYS = {"node", "address", "count", "type", "byte_order", "word_order", "function"}
_REGISTERS = 65_536
_LAST_NODE = 247
"""On a serial line (MODBUS over Serial Line V1.02, 2.2); the rest is reserved or broadcast."""
_SENSOR = re.compile(r"[0-9a-f]{2}-[0-9a-f]{12}")


def problems(raw: dict[str, Any]) -> list[str]:
    """One sentence for each mistake between tables; what is wrong in itself is left to the models."""
    names = {kind: [e["name"] for e in _entries(raw, kind) if isinstance(e.get("name"), str)] for kind in _NAMED_KINDS}
    sources = list(_sources_that_stand(raw))
    return [
        *_doubles(raw),
        *_two_places(raw),
        *_one_line_twice(sources),
        *_references(raw, names),
        *_own_echo(raw, sources),
        *(p for source in sources for p in _source_problems(source, names)),
    ]


def _entries(raw: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    found = raw.get(kind)
    found = found if isinstance(found, list) else [found]
    return [entry for entry in found if isinstance(entry, dict)]


def _sources_that_stand(raw: dict[str, Any]) -> Iterator[Source]:
    """The sources that are right by themselves, so that their references are checked in the same pass."""
    for entry in _entries(raw, "source"):
        try:
            yield Source.model_validate(entry)
        except ValidationError:
            continue


def _doubles(raw: dict[str, Any]) -> Iterator[str]:
    for kind in LISTS:
        entries = [e for e in _entries(raw, kind) if isinstance(e.get("name"), str)]
        for i, one in enumerate(entries):
            if any(one["name"] == other["name"] and _overlap(one, other) for other in entries[i + 1 :]):
                yield f"{kind} {one['name']!r}: stands twice for the same days; " + (
                    "rename one" if kind == "source" else "rename one, or give them from and until dates"
                )


def _two_places(raw: dict[str, Any]) -> Iterator[str]:
    """Passages of the same days: she cannot be at two places."""
    entries = _entries(raw, "passage")
    for i, one in enumerate(entries):
        for other in entries[i + 1 :]:
            if _overlap(one, other):
                yield (
                    f"passage from {one.get('from')} and passage from {other.get('from')}: they hold the same days; "
                    "end one the day before the other begins"
                )


def _overlap(one: dict[str, Any], other: dict[str, Any]) -> bool:
    def before(a: dict[str, Any], b: dict[str, Any]) -> bool:
        end, start = a.get("until"), b.get("from")
        return type(end) is dt.date and type(start) is dt.date and end < start

    return not (before(one, other) or before(other, one))


def _one_line_twice(sources: list[Source]) -> Iterator[str]:
    first: dict[str, str] = {}
    for source in sources:
        if source.kind in ("serial", "modbus", "nmea0183") and source.port:
            if source.port in first:
                yield (
                    f"source {source.name!r}, port = {shown(source.port)}: source {first[source.port]!r} reads that "
                    "line already; a line has one reader, so put all its channels under one source"
                )
            first.setdefault(source.port, source.name)


def _own_echo(raw: dict[str, Any], sources: list[Source]) -> Iterator[str]:
    """A source that would hear what [publish] says: each reading would come back as another."""
    for publish in _entries(raw, "publish"):
        for source in sources:
            for entry in source.channel:
                ours = f"{publish.get('under')}/"
                if source.broker == publish.get("broker") and str(entry.field).startswith(ours):
                    yield (
                        f"source {source.name!r}, field = {shown(entry.field)}: [publish] writes below {ours} itself: "
                        "what it says would come back as readings; choose another word for under"
                    )


def _references(raw: dict[str, Any], names: dict[str, list[str]]) -> Iterator[str]:
    for kind, key, target in _REFERENCES:
        for entry in _entries(raw, kind):
            name = entry.get(key)
            if isinstance(name, str) and name not in names[target]:
                yield f"{kind} {entry.get('name')!r}, {key} = {shown(name)}: {_not_there(target, name, names[target])}"
    for cable in _entries(raw, "cable"):
        carries = cable.get("carries")
        if isinstance(carries, str) and re.fullmatch(r"(array|controller)\.[a-z0-9_-]+", carries):
            kind, name = carries.split(".")
            if name not in names[kind]:
                yield f"cable {cable.get('name')!r}, carries = {shown(carries)}: {_not_there(kind, name, names[kind])}"


def _not_there(kind: str, name: str, known: list[str]) -> str:
    near = difflib.get_close_matches(name, known, n=1)
    hint = f"did you mean {near[0]!r}?" if near else f"known: {', '.join(dict.fromkeys(known)) or 'none'}"
    brackets = f"[{kind}]" if kind == "bank" else f"[[{kind}]]"
    return f"no {brackets} has the name {name!r}; {hint}"


def _source_problems(source: Source, names: dict[str, list[str]]) -> Iterator[str]:
    seen: set[str] = set()
    for entry in source.channel:
        at = f"source {source.name!r}, channel {entry.channel!r}"
        if entry.channel in seen:
            yield f"{at}: stands twice; to average several fields write them in one entry, field = [1, 2]"
        seen.add(entry.channel)
        yield from (f"{at}{problem}" for problem in _place_problems(source, entry))
        try:
            quantity = vocabulary.lookup(entry.channel)
        except UnknownChannel as fault:
            yield f"source {source.name!r}: {fault}"
            continue
        yield from (f"{at}{problem}" for problem in _channel_problems(entry, quantity, names))


def _channel_problems(
    entry: SourceChannel, quantity: vocabulary.Quantity, names: dict[str, list[str]]
) -> Iterator[str]:
    subject, name, _ = entry.channel.split(".")
    kind = quantity.name.strip("<>") if quantity.name.startswith("<") else subject
    if kind in names and quantity.name.startswith("<") and name not in names[kind]:
        yield f": {_not_there(kind, name, names[kind])}"
    try:
        conversion(entry.unit or quantity.unit, quantity.unit)
    except UnknownUnit as fault:
        yield f": {fault}"
    if entry.words and quantity.quantity == "stage":
        for word in sorted(set(entry.words.values()) - set(vocabulary.STAGES)):
            yield f", words: {word!r} is no charge stage (known: {', '.join(vocabulary.STAGES)})"


def _place_problems(source: Source, entry: SourceChannel) -> Iterator[str]:
    """Where in what is sent the value stands: a field, a sensor or a register, as the kind has it."""
    if source.kind == "modbus":
        yield from _register_problems(source, entry)
        return
    strays = sorted(_REGISTER_KEYS & entry.model_fields_set)
    if strays:
        yield f': {", ".join(strays)} belong{"s" if len(strays) == 1 else ""} to kind "modbus" alone'
    if entry.field is None:
        example = "28-000005e2fdc3" if source.kind == "onewire" else 1
        yield f", field: required (for instance field = {shown(example)})"
    elif source.kind in _FIELDS:
        yield from (f", field = {shown(field)}: {rule}" for field, rule in _FIELDS[source.kind](source, entry))
    elif source.kind == "onewire" and not (isinstance(entry.field, str) and _SENSOR.fullmatch(entry.field)):
        yield (
            f', field = {shown(entry.field)}: kind "onewire" takes the sensor\'s folder, '
            'for instance field = "28-000005e2fdc3"'
        )


def _register_problems(source: Source, entry: SourceChannel) -> Iterator[str]:
    width = 2 if entry.type.endswith("32") else 1
    if entry.field is not None:
        yield f', field = {shown(entry.field)}: kind "modbus" takes node and address in its place'
    if entry.address is None:
        yield ", address: required (for instance address = 107; counted from 0, as on the wire)"
    elif entry.address + width > _REGISTERS:
        yield f", address = {entry.address}: type {shown(entry.type)} takes two registers, and this is the last"
    if entry.count not in (None, width):
        yield f", count = {entry.count}: type {shown(entry.type)} takes {width}; one of the two is wrong"
    if source.port and not 1 <= entry.node <= _LAST_NODE:
        yield f", node = {entry.node}: on a serial line units are numbered from 1 to {_LAST_NODE}"


def _field_problems(source: Source, entry: SourceChannel) -> Iterator[tuple[FieldRefs, str]]:
    for field in entry.field if isinstance(entry.field, list) else [entry.field or ""]:
        if source.format == "delimited":
            if not isinstance(field, int):
                yield field, 'format "delimited" takes a position from 1, for instance field = 1'
        elif not isinstance(field, str):
            yield field, f'format "{source.format}" takes a name in quotes'
        elif source.format == "json" and not field.startswith("/"):
            yield field, 'a JSON pointer starts with a slash, for instance "/volts"'
        elif source.format == "pattern" and source.pattern:
            groups = re.compile(source.pattern).groupindex
            if field not in groups:
                yield field, f"pattern has no group of that name (it has {', '.join(groups)})"


def _sentence_problems(source: Source, entry: SourceChannel) -> Iterator[tuple[FieldRefs, str]]:
    if not isinstance(entry.field, str):
        yield entry.field or "", nmea_fields.RULE
        return
    try:
        field = nmea_fields.spelled(entry.field)
        quantity = vocabulary.lookup(entry.channel)
    except ValueError as fault:
        yield entry.field, str(fault)
        return
    except UnknownChannel:
        return  # told by itself
    unit = nmea_fields.QUANTITIES.get(field.what)
    if quantity.is_text:
        yield entry.field, "a sentence holds numbers; this channel takes words"
    elif unit is not None and unit != quantity.unit:
        yield entry.field, f"it comes in {unit}, the channel is in {quantity.unit}"
    elif unit is not None and entry.unit not in (None, unit):
        yield entry.field, f"it comes in {unit} already: leave unit out"


def _topic_problems(source: Source, entry: SourceChannel) -> Iterator[tuple[FieldRefs, str]]:
    if not isinstance(entry.field, str):
        yield entry.field or "", TOPIC_RULE
        return
    try:
        topic_field(entry.field)
    except ValueError as fault:
        yield entry.field, str(fault)


_FIELDS: dict[str, Callable[[Source, SourceChannel], Iterator[tuple[FieldRefs, str]]]] = {
    "serial": _field_problems,
    "nmea0183": _sentence_problems,
    "mqtt": _topic_problems,
}
"""What may be wrong with a field, by the kind of its source."""
