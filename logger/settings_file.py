"""Owns reading the settings file: TOML to checked models, all mistakes at once, and the logger's plan from it."""

from __future__ import annotations

import difflib
import hashlib
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from logger import vocabulary
from logger.errors import SettingsError, UnknownChannel, UnknownUnit
from logger.plan import ChannelPlan, Plan, SourcePlan, TimePlan
from logger.settings import Located, Settings, Source, SourceChannel
from logger.units import conversion

_LISTS = ("array", "cable", "controller", "enclosure", "fan", "source")
_NAMED_KINDS = ("array", "controller", "bank", "enclosure", "fan")


def read(path: Path) -> Located:
    """Read and check a settings file.

    Raises
    ------
    SettingsError
        The file is missing, is not TOML, or holds mistakes: all of them, each with key, value, rule, example.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise SettingsError(
            str(path),
            ["there is no such file; write one with 'noonmark new', or name it with --settings PATH"],
        ) from None
    except (OSError, UnicodeDecodeError) as fault:
        raise SettingsError(str(path), [f"it cannot be read: {fault}"]) from None
    settings = parse(text, where=str(path))
    digest = hashlib.sha256(text.encode()).hexdigest()
    return Located(settings=settings, path=path.resolve(), text=text, hash=digest)


def parse(text: str, where: str = "settings") -> Settings:
    """Check the text of a settings file; see `read` for what is raised."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise SettingsError(where, [f"not TOML: {fault}"]) from None
    problems = _straighten(raw)
    try:
        settings = Settings.model_validate(raw)
        sources = settings.source
    except ValidationError as fault:
        problems += [_describe(error, Settings, raw) for error in fault.errors()]
        sources = _sources_that_stand(raw)
    problems += _cross_problems(raw, sources)
    if problems:
        raise SettingsError(where, problems)
    return settings


def _straighten(raw: dict[str, Any]) -> list[str]:
    """Mend single and double brackets in place, so that the rest can be checked too, and say so."""
    problems = []
    for kind in _LISTS:
        if isinstance(raw.get(kind), dict):
            problems.append(f"[{kind}] may stand several times: write [[{kind}]] with double brackets")
            raw[kind] = [raw[kind]]
    for kind in ("site", "store", "bank"):
        if isinstance(raw.get(kind), list) and raw[kind]:
            problems.append(f"[[{kind}]] stands once alone: write [{kind}] with single brackets")
            raw[kind] = raw[kind][0]
    return problems


def _sources_that_stand(raw: dict[str, Any]) -> list[Source]:
    """The sources that are right by themselves, so that their references are checked in the same pass."""
    standing: list[Source] = []
    entries = raw.get("source", [])
    for entry in entries if isinstance(entries, list) else []:
        try:
            standing.append(Source.model_validate(entry))
        except ValidationError:
            continue
    return standing


# -- one sentence a mistake ---------------------------------------------------------------------------------


def _describe(error: Any, model: type[BaseModel], raw: Any) -> str:
    where = _where(error["loc"], raw)
    owner, field = _walk(error["loc"], model)
    key = str(error["loc"][-1]) if error["loc"] else ""
    if error["type"] == "extra_forbidden":
        known = [f.alias or n for n, f in owner.model_fields.items()] if owner else []
        near = difflib.get_close_matches(key, known, n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"known here: {', '.join(known)}"
        return f"{where}: unknown key; {hint}"
    example = _example(field, key)
    if error["type"] == "missing":
        return f"{where}: required{example}"
    rule = error["msg"].removeprefix("Value error, ").replace("Input should be", "should be")
    value = "" if isinstance(error["input"], dict) else f" = {error['input']!r}"
    return f"{where}{value}: {rule[0].lower() + rule[1:]}{example if field else ''}"


def _where(loc: tuple[int | str, ...], raw: Any) -> str:
    parts: list[str] = []
    here = raw
    for step in loc:
        if isinstance(step, int):
            here = here[step] if isinstance(here, list) and step < len(here) else None
            name = here.get("name", here.get("channel")) if isinstance(here, dict) else None
            parts[-1] += f" {name!r}" if name else f" number {step + 1}"
        elif not isinstance(here, dict) or step in here or step == loc[-1]:
            here = here.get(step) if isinstance(here, dict) else None
            if not ((parts and step in ("int", "str")) or step.startswith(("constrained", "list["))):
                parts.append(step)
    return ", ".join(parts)


def _walk(loc: tuple[int | str, ...], model: type[BaseModel]) -> tuple[type[BaseModel] | None, FieldInfo | None]:
    owner: type[BaseModel] | None = model
    field: FieldInfo | None = None
    for step in loc:
        if isinstance(step, int) or owner is None:
            continue
        found = next((f for n, f in owner.model_fields.items() if step in (n, f.alias)), None)
        if found is None:
            return owner, None
        field = found
        owner = _model_in(found.annotation) or owner
    return owner, field


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for arg in get_args(annotation) if (m := _model_in(arg))), None)


def _example(field: FieldInfo | None, key: str) -> str:
    if field is None or not field.examples:
        return ""
    return f" (for instance {field.alias or key} = {_toml(field.examples[0])})"


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    return '"' + value.replace("\\", "\\\\") + '"' if isinstance(value, str) else str(value)


# -- what only shows between the tables -----------------------------------------------------------------------


def _cross_problems(raw: dict[str, Any], sources: list[Source]) -> list[str]:
    names = {kind: _names(raw, kind) for kind in _NAMED_KINDS}
    return [
        *_doubles(raw),
        *_references(raw, names),
        *(p for source in sources for p in _source_problems(source, names)),
    ]


def _names(raw: dict[str, Any], kind: str) -> list[str]:
    entries = raw.get(kind, [])
    entries = [entries] if isinstance(entries, dict) else entries
    return [str(e["name"]) for e in entries if isinstance(e, dict) and "name" in e]


def _doubles(raw: dict[str, Any]) -> Iterator[str]:
    for kind in _LISTS:
        entries = [e for e in raw.get(kind, []) if isinstance(e, dict) and "name" in e]
        for i, one in enumerate(entries):
            for other in entries[i + 1 :]:
                if one["name"] == other["name"] and _overlap(one, other):
                    yield (
                        f"{kind} {one['name']!r}: stands twice for the same days; "
                        + ("rename one" if kind == "source" else "rename one, or give them from and until dates")
                    )


def _overlap(one: dict[str, Any], other: dict[str, Any]) -> bool:
    def later(a: dict[str, Any], b: dict[str, Any]) -> bool:
        end, start = a.get("until"), b.get("from")
        return bool(end and start and type(end) is type(start) and end < start)

    return not (later(one, other) or later(other, one))


def _references(raw: dict[str, Any], names: dict[str, list[str]]) -> Iterator[str]:
    for kind, key, target in (
        ("array", "controller", "controller"),
        ("controller", "enclosure", "enclosure"),
        ("fan", "enclosure", "enclosure"),
    ):
        for entry in raw.get(kind, []):
            if isinstance(entry, dict) and isinstance(entry.get(key), str) and entry[key] not in names[target]:
                yield (
                    f"{kind} {entry.get('name')!r}, {key} = {entry[key]!r}: "
                    f"{_not_there(target, entry[key], names[target])}"
                )
    for cable in raw.get("cable", []):
        carries = cable.get("carries") if isinstance(cable, dict) else None
        if isinstance(carries, str) and carries.count(".") == 1:
            kind, name = carries.split(".")
            if kind in names and name not in names[kind]:
                yield (f"cable {cable.get('name')!r}, carries = {carries!r}: {_not_there(kind, name, names[kind])}")


def _not_there(kind: str, name: str, known: list[str]) -> str:
    near = difflib.get_close_matches(name, known, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else f"; known: {', '.join(known) or 'none'}"
    brackets = f"[{kind}]" if kind == "bank" else f"[[{kind}]]"
    return f"no {brackets} has the name {name!r}{hint}"


def _source_problems(source: Source, names: dict[str, list[str]]) -> Iterator[str]:
    where = f"source {source.name!r}"
    seen: set[str] = set()
    for entry in source.channel:
        at = f"{where}, channel {entry.channel!r}"
        if entry.channel in seen:
            yield f"{at}: stands twice; to average several fields write them in one entry, field = [1, 2]"
        seen.add(entry.channel)
        if source.kind == "serial":
            yield from _field_problems(source, entry, at)
        try:
            quantity = vocabulary.lookup(entry.channel)
        except UnknownChannel as fault:
            yield f"{at}: {fault}"
            continue
        kind, name, _ = entry.channel.split(".")
        kind = "array" if quantity.name == "<array>" else kind
        if kind in names and quantity.name.startswith("<") and name not in names[kind]:
            yield f"{at}: {_not_there(kind, name, names[kind])}"
        try:
            conversion(entry.unit or quantity.unit, quantity.unit)
        except UnknownUnit as fault:
            yield f"{at}: {fault}"
        if entry.words and quantity.quantity == "stage":
            for word in set(entry.words.values()) - set(vocabulary.STAGES):
                yield f"{at}, words: {word!r} is no charge stage (known: {', '.join(vocabulary.STAGES)})"


def _field_problems(source: Source, entry: SourceChannel, at: str) -> Iterator[str]:
    fields = entry.field if isinstance(entry.field, list) else [entry.field]
    for field in fields:
        if source.format == "delimited" and not isinstance(field, int):
            yield f'{at}, field = {field!r}: format "delimited" takes a position from 1, for instance field = 1'
        elif source.format != "delimited" and not isinstance(field, str):
            yield f'{at}, field = {field!r}: format "{source.format}" takes a name in quotes'
        elif source.format == "json" and not str(field).startswith("/"):
            yield f'{at}, field = {field!r}: a JSON pointer starts with a slash, for instance "/volts"'
        elif source.format == "pattern" and source.pattern and field not in re.compile(source.pattern).groupindex:
            yield f"{at}, field = {field!r}: pattern has no group of that name"


# -- the logger's plan ----------------------------------------------------------------------------------------


def plan(located: Located) -> Plan:
    """What the lean logger runs on, from a checked settings file."""
    folder = located.path.parent
    return Plan(
        settings_text=located.text,
        settings_hash=located.hash,
        store_path=str(located.store_path),
        flush_seconds=located.settings.store.flush_seconds,
        sources=tuple(source_plan(source, folder) for source in located.settings.source),
    )


def source_plan(source: Source, folder: Path) -> SourcePlan:
    """The frozen form of one source; `folder` is where its relative paths start."""
    time = source.time
    return SourcePlan(
        name=source.name,
        kind=source.kind,
        channels=tuple(_channel_plan(entry) for entry in source.channel),
        port=source.port,
        baud=source.baud,
        parity=source.parity,
        stop_bits=source.stop_bits,
        format=source.format,
        separator=source.separator,
        checksum=source.checksum,
        pattern=source.pattern,
        unheard_after_s=source.unheard_after_s,
        path=str(folder / source.path) if source.path else None,
        time=TimePlan(
            field=time.field,
            date=time.date,
            clock=time.clock,
            zone=time.zone,
            format=time.format,
            label=time.label,
            interval_ms=round(time.interval_s * 1000) if time.interval_s else None,
            year=time.year,
        )
        if time
        else None,
        skip_rows=source.skip_rows,
        encoding=source.encoding,
        decimal=source.decimal,
        missing=tuple(source.missing),
    )


def _channel_plan(entry: SourceChannel) -> ChannelPlan:
    quantity = vocabulary.lookup(entry.channel)
    line = conversion(entry.unit or quantity.unit, quantity.unit).after(entry.scale, entry.offset)
    return ChannelPlan(
        field=tuple(entry.field) if isinstance(entry.field, list) else entry.field,
        channel=entry.channel,
        unit=quantity.unit,
        scale=line.scale,
        offset=line.offset,
        low=quantity.low,
        high=quantity.high,
        words=entry.words,
        is_text=quantity.is_text,
    )
