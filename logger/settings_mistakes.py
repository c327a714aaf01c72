"""Owns the sentence that each mistake of form in the settings gets: key, value, rule, example."""

from __future__ import annotations

import datetime as dt
import difflib
import re
import tomllib
from collections.abc import Iterator, Mapping
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from logger.settings import Settings

LISTS = ("passage", "array", "cable", "controller", "enclosure", "fan", "source")
_LONGEST = 60

# What a checker calls a type, as a person types it.
_PLAIN = {
    "string_type": "should be text in quotes",
    "float_type": "should be a number, without quotes",
    "int_type": "should be a whole number, without quotes",
    "int_from_float": "should be a whole number",
    "bool_type": "should be true or false",
    "date_type": "should be a date without quotes",
    "date_from_datetime_inexact": "should be a date without a time of day",
    "finite_number": "should be a finite number",
    "string_too_short": "must not be empty",
    "dict_type": "should be a table",
    "model_type": "should be a table",
    "model_attributes_type": "should be a table",
    "list_type": "should be a list",
}


def of_toml(text: str, fault: ValueError) -> str:
    """The sentence for text that is not TOML, with the line and what usually makes it so."""
    at = re.search(r"at line (\d+)", str(fault))
    lines = text.rstrip().split("\n")
    line = lines[min(int(at[1]), len(lines)) - 1 if at else -1].strip()[:_LONGEST]
    shown = f": {line}" if line and line.isprintable() else ""
    return f"not TOML: {str(fault).rstrip('.')}{shown}{_usual_cause(str(fault), line)}"


def _usual_cause(fault: str, line: str) -> str:
    _, equals, value = line.partition("=")
    value = value.strip()
    if "\\" in line:
        return "; a path with backslashes goes in single quotes"
    if equals and re.match(r"[+-]?\d+,\d", value):
        return "; a number takes a point: 47.58"
    if equals and re.match(r"[^\W\d]", value) and value not in ("inf", "nan"):
        return f'; text needs quotes: {line.partition("=")[0].strip()} = "{value}"'
    if "declare" in fault or "overwrite" in fault:
        return "; a key or a table stands twice: a table that may repeat has double brackets, [[array]]"
    if line.startswith("["):
        return "; a table's name stands in [single] or [[double]] brackets, closed on the same line"
    return ""


def straighten(raw: dict[str, Any]) -> list[str]:
    """Mend single and double brackets in place, so that the rest can be checked too, and say so."""
    problems = []
    for kind in LISTS:
        if isinstance(raw.get(kind), dict):
            problems.append(f"[{kind}] may stand several times: write [[{kind}]] with double brackets")
            raw[kind] = [raw[kind]]
    for source in raw.get("source", []) if isinstance(raw.get("source"), list) else []:
        if isinstance(source, dict) and isinstance(source.get("channel"), dict):
            problems.append(
                f"source {source.get('name')!r}: [source.channel] may stand several times: "
                "write [[source.channel]] with double brackets"
            )
            source["channel"] = [source["channel"]]
    for kind in ("site", "store", "bank", "publish"):
        entries = raw.get(kind)
        if isinstance(entries, list) and entries and all(isinstance(entry, dict) for entry in entries):
            problems.append(f"[[{kind}]] stands once alone: write [{kind}] with single brackets")
            raw[kind] = entries[0]
    return problems


def of_form(fault: ValidationError, raw: Mapping[str, Any]) -> list[str]:
    """One sentence for each mistake that the models found, in the order of the file's tables."""
    return list(dict.fromkeys(_sentence(error, raw) for error in fault.errors(include_url=False)))


def _sentence(error: Any, raw: Mapping[str, Any]) -> str:
    loc: tuple[int | str, ...] = error["loc"]
    owner, key, field = _walk(loc)
    where = _where(loc, raw)
    if error["type"] == "extra_forbidden" or field is None:
        return f"{where}: unknown key; {_known_key(owner, key)}"
    example = f" (for instance {key} = {toml(field.examples[0])})" if field.examples else ""
    if error["type"] == "missing":
        return f"{where}: required{example or _needs(field)}"
    sent = error["input"]
    value = "" if isinstance(sent, dict | BaseModel) else f" = {shown(sent)}"
    return f"{where}{value}: {rule(error, key, field)}{example}"


def rule(error: Any, key: str, field: FieldInfo) -> str:
    """What a value should be, for one error of the checker."""
    kind, context = error["type"], error.get("ctx", {})
    if kind in ("list_type", "too_short") and _model_in(field.annotation):
        return f"write at least one table under a heading [[{'source.' if key == 'channel' else ''}{key}]]"
    if kind == "literal_error":
        return f"should be {context['expected'].replace(chr(39), chr(34))}"
    for word, said in (("gt", "more than"), ("ge", "at least"), ("lt", "less than"), ("le", "at most")):
        if word in context:
            return f"must be {said} {context[word]:g}"
    return _PLAIN.get(kind) or str(error["msg"]).removeprefix("Value error, ")


def _known_key(owner: type[BaseModel], key: str) -> str:
    known = _keys(owner)
    near = difflib.get_close_matches(key.lower(), known, n=1, cutoff=0.7)
    if near:
        return f"did you mean {near[0]!r}?"
    homes = [table for table, model in _tables(Settings) if key in _keys(model)]
    if homes:
        return f"it belongs in {' or '.join(homes)}"
    near = difflib.get_close_matches(key.lower(), known, n=1)
    return f"did you mean {near[0]!r}?" if near else f"known here: {', '.join(known)}"


def _needs(field: FieldInfo) -> str:
    model = _model_in(field.annotation)
    return (
        "" if model is None else f", a table with at least {', '.join(k for k, f in _fields(model) if f.is_required())}"
    )


def _where(loc: tuple[int | str, ...], raw: Any) -> str:
    """The path to a key as a person reads it: ``array 'cabin', module, voc``."""
    parts: list[str] = []
    here = raw
    for step in loc:
        if isinstance(step, int):
            here = here[step] if isinstance(here, list) and step < len(here) else None
            name = here.get("name", here.get("channel")) if isinstance(here, dict) else None
            parts[-1] += f" {name!r}" if isinstance(name, str) and name else f" number {step + 1}"
        else:
            here = here.get(step) if isinstance(here, dict) else None
            parts.append(_bare(step))
    return ", ".join(parts)


def _walk(loc: tuple[int | str, ...]) -> tuple[type[BaseModel], str, FieldInfo | None]:
    """The model that holds the key, the key and its field; no field where the model does not know the key."""
    owner: type[BaseModel] = Settings
    inside: type[BaseModel] | None = Settings
    key, field = "", None
    for step in loc:
        if isinstance(step, str) and inside is not None:
            owner, key = inside, step
            field = dict(_fields(owner)).get(step)
            inside = _model_in(field.annotation) if field else None
    return owner, key, field


def _fields(model: type[BaseModel]) -> Iterator[tuple[str, FieldInfo]]:
    return ((field.alias or name, field) for name, field in model.model_fields.items())


def _keys(model: type[BaseModel]) -> list[str]:
    return [key for key, _ in _fields(model)]


def _tables(model: type[BaseModel], path: str = "") -> Iterator[tuple[str, type[BaseModel]]]:
    """Every table of the settings with its model, as its heading is written."""
    for key, field in _fields(model):
        inner = _model_in(field.annotation)
        if inner:
            many = "list" in str(field.annotation)
            yield f"[[{path}{key}]]" if many else f"[{path}{key}]", inner
            yield from _tables(inner, f"{path}{key}.")


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for arg in get_args(annotation) if (m := _model_in(arg))), None)


def toml(value: Any) -> str:
    """A value as it is written in the file."""
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, dict):
        text = "{ " + ", ".join(f"{_bare(k)} = {toml(v)}" for k, v in value.items()) + " }"
    elif isinstance(value, list):
        text = "[" + ", ".join(toml(v) for v in value) + "]"
    elif isinstance(value, str) and "\\" in value and "'" not in value and value.isprintable():
        text = f"'{value}'"
    elif isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        text = '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in escaped) + '"'
    else:
        text = value.isoformat() if isinstance(value, dt.date | dt.time) else str(value)
    return text


def shown(value: Any) -> str:
    """A value as it is written in the file, cut where it is long."""
    text = toml(value)
    return text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"


def _bare(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else toml(key)


def loads(text: str) -> dict[str, Any]:
    """TOML to dicts.

    Raises
    ------
    ValueError
        It is not TOML; also where it is nested or written beyond sense.
    """
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ValueError("tables or lists are nested too deep") from None
