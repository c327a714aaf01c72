"""Owns the text of a new settings file: every answer with its meaning beside it, every other key as a comment."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel

from dashboard.setting_notes import NOTES
from logger.settings import Array, Bank, Cable, Controller, Enclosure, Fan, Module, Site, Store
from logger.settings_mistakes import toml

Answers = dict[str, Any]

_HEAD = """\
# The settings of {name}, written by noonmark new. Change what you like; then run: noonmark check
#
# Text stands in quotes, numbers do not, a number takes a point. [single] brackets stand once, [[double]] ones once for
# each thing of their kind. A line that starts with "# key = value" is optional and shows an example.
# Local codes and licensed practice come first.
"""

_PLACEHOLDERS = """\
#
# Nobody was asked: every value below is a placeholder, of an invented vessel. Put your own in their place.
"""

_PASSAGE = """\
# Where she will be otherwise, one block for each part of the cruise, both dates included:
# [[passage]]
# from = 2027-06-01
# until = 2027-08-20
# latitude = 69.65                # degrees, north is positive
# longitude = 18.96               # degrees, east is positive
# around = "water"                # water | land | ice | snow there
"""

_SOURCES = """\
# What is read. Find out what a line sends, and have the block proposed:  noonmark listen
# Uncomment one, or add your own; a channel is subject.name.quantity, for instance array.{array}.voltage.
#
# [[source]]
# name = "{array} controller"
# kind = "serial"                   # serial | nmea0183 | mqtt | csv
# port = "/dev/serial/by-id/..."    # a name that stays when plugs move
# baud = 19200
# format = "delimited"              # delimited | keyvalue | json | pattern
# checksum = "none"                 # none | sum8 | xor8 | crc16-modbus
# [[source.channel]]
# field = 1                         # position from 1, key, JSON pointer or named group
# channel = "array.{array}.voltage"
# unit = "V"
# [[source.channel]]
# field = 2
# channel = "array.{array}.current"
# unit = "A"
#
# [[source]]
# name = "history"
# kind = "csv"
# path = "inbox/*.csv"              # read by the logger as it grows, or by: noonmark import --source history FILE
# time = {{ field = "time", zone = "UTC", label = "instant" }}
# [[source.channel]]
# field = "volts"                   # the header
# channel = "array.{array}.voltage"
"""

_WIDTH = 32


def text(answers: Answers, *, placeholders: bool = False) -> str:
    """The file's text from answers in the shape of the file itself.

    Parameters
    ----------
    answers : dict
        Tables of the contract: ``site store array cable controller bank enclosure fan``.
    placeholders : bool
        Nobody was asked: the file says so.
    """
    array = answers["array"][0]["name"] if answers.get("array") else "cabin"
    blocks = [
        _HEAD.format(name=answers["site"]["name"]) + (_PLACEHOLDERS if placeholders else ""),
        _table("[site]", "site", Site, answers["site"]),
        _PASSAGE,
        _table("[store]", "store", Store, answers["store"]),
    ]
    for one in answers.get("array", []):
        blocks.append(_table("[[array]]", "array", Array, one))
        blocks.append(_table("[array.module]", "module", Module, one["module"]))
    blocks += [_table("[[cable]]", "cable", Cable, one) for one in answers.get("cable", [])]
    blocks += [_table("[[controller]]", "controller", Controller, one) for one in answers.get("controller", [])]
    if answers.get("bank"):
        blocks.append(_table("[bank]", "bank", Bank, answers["bank"]))
    blocks += [_table("[[enclosure]]", "enclosure", Enclosure, one) for one in answers.get("enclosure", [])]
    blocks += [_table("[[fan]]", "fan", Fan, one) for one in answers.get("fan", [])]
    return "\n".join([*blocks, _SOURCES.format(array=array)])


def _table(heading: str, table: str, model: type[BaseModel], values: Mapping[str, Any]) -> str:
    return "\n".join([heading, *_lines(table, model, values), ""])


def _lines(table: str, model: type[BaseModel], values: Mapping[str, Any]) -> Iterator[str]:
    for key, note in NOTES[table].items():
        field = model.model_fields[key]
        if key in values:
            written = f"{key} = {toml(values[key])}"
        else:
            shown = field.default if field.default is not None else field.examples[0] if field.examples else "..."
            written = f"# {key} = {toml(shown)}"
        yield f"{written:<{_WIDTH - 1}} # {note}"
