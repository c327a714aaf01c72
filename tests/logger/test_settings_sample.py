"""The sample settings file is the reference: it loads, it names every key, and it tells the defaults as they are."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel
from pydantic.fields import FieldInfo

import fixtures
from logger.settings import Settings
from logger.settings_file import parse, plan, read

SAMPLE = Path(fixtures.__file__).parent / "settings" / "sample.toml"
TEXT = SAMPLE.read_text(encoding="utf-8")


def _keys(model: type[BaseModel]) -> Iterator[tuple[type[BaseModel], str, FieldInfo]]:
    for name, field in model.model_fields.items():
        yield model, field.alias or name, field
        for inner in _models(field.annotation):
            yield from _keys(inner)


def _models(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in get_args(annotation):
        yield from _models(argument)


KEYS = list(_keys(Settings))


def test_the_sample_is_right() -> None:
    """The sample passes its own check, and the logger's plan can be made from it."""
    located = read(SAMPLE)
    assert located.settings.site.name == "Lapwing"
    kinds = ["modbus", "modbus", "onewire", "csv", "nmea0183", "mqtt"]
    assert [source.kind for source in plan(located).sources] == ["serial"] * 4 + kinds


@pytest.mark.parametrize(
    ("model", "key"), [(model, key) for model, key, _ in KEYS], ids=lambda v: getattr(v, "__name__", v)
)
def test_every_key_stands_in_the_sample(model: type[BaseModel], key: str) -> None:
    """Each key of the models is written or shown in the sample, under a table that takes it."""
    written = rf"^(?:# +)?{re.escape(key)} *=|^\[\[?(?:\w+\.)?{re.escape(key)}\]\]?"
    assert re.search(written, TEXT, re.MULTILINE), f"{model.__name__} has {key}, which the sample does not show"


DEFAULTS = {
    (key, repr(field.default))
    for _, key, field in KEYS
    if not field.is_required() and isinstance(field.default, int | float | str)
}


@pytest.mark.parametrize(("key", "default"), sorted(DEFAULTS))
def test_every_default_is_shown(key: str, default: str) -> None:
    """A default stands beside its key: as the commented value, or as "… without it"."""
    lines = re.findall(rf"^(?:# )?{re.escape(key)} *= *(.*)$", TEXT, re.MULTILINE)
    shown = {default, default.replace("'", '"'), default.removesuffix(".0"), default + "0"}
    shown |= {"true" if default == "True" else "false"} if default in ("True", "False") else set()
    assert any(line.startswith(tuple(shown)) or any(f"{s} without it" in line for s in shown) for line in lines), lines


def test_a_commented_key_may_be_uncommented() -> None:
    """Every "# key = value" line that gives a default is right when its mark is taken away."""
    text = re.sub(r"^# ((?!field)[a-z_]+ = )", r"\1", TEXT, flags=re.MULTILINE)
    assert text != TEXT
    changed = tomllib.loads(text)
    assert changed["store"]["hot_days"] == 14
    parse(text)
