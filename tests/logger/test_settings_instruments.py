"""Mistakes in the settings of sentences and brokers, and the plan that comes of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger import settings_file
from logger.decoders.nmea_fields import RULE
from logger.errors import SettingsError
from logger.messages import TOPIC_RULE
from logger.plan import Plan, PublishPlan

from .test_settings_file import BASE

SENTENCES = """
[[source]]
name = "s"
kind = "nmea0183"
port = "/dev/ttyUSB0"
"""
TOPICS = """
[[source]]
name = "s"
kind = "mqtt"
broker = "127.0.0.1"
"""
PUBLISH = """
[publish]
broker = "127.0.0.1"
under = "lapwing"
"""


def entry(field: str, channel: str = "site.attitude.heading", more: str = "") -> str:
    return f'[[source.channel]]\nfield = {field}\nchannel = "{channel}"\n{more}\n'


HEADING = entry('"heading"')
VOLTS = entry('"barge/volts"', "air.outside.temperature")
AT = "source 's', channel 'site.attitude.heading', field = "
AIR = "source 's', channel 'air.outside.temperature', field = "
MISTAKES = {
    "no line": (
        SENTENCES.replace('port = "/dev/ttyUSB0"', "") + HEADING,
        'source \'s\': kind "nmea0183" needs port, for instance port = "/dev/serial/by-id/..."',
    ),
    "a check of another kind": (
        SENTENCES + 'checksum = "none"\n' + HEADING,
        "source 's': kind \"nmea0183\" has a check of its own, always required: leave checksum out",
    ),
    "a format": (
        SENTENCES + 'format = "delimited"\n' + HEADING,
        "source 's': kind \"nmea0183\" has a format of its own: leave format out",
    ),
    "a position without its sentence": (SENTENCES + entry("1"), f"{AT}1: {RULE}"),
    "several fields": (SENTENCES + entry('["heading", "pitch"]'), f'{AT}["heading", "pitch"]: {RULE}'),
    "no such quantity": (SENTENCES + entry('"course"'), f'{AT}"course": {RULE}'),
    "another unit": (
        SENTENCES + entry('"pressure"'),
        f'{AT}"pressure": it comes in Pa, the channel is in °',
    ),
    "a unit for what has one": (
        SENTENCES + entry('"wind_speed"', "air.outside.wind_speed", 'unit = "kn"'),
        "source 's', channel 'air.outside.wind_speed', field = \"wind_speed\": it comes in m/s already: leave unit out",
    ),
    "words": (
        SENTENCES + entry('"XDR G STG"', "controller.x.stage") + '[[controller]]\nname = "x"\n',
        "source 's', channel 'controller.x.stage', field = \"XDR G STG\": a sentence holds numbers; this channel takes "
        "words",
    ),
    "two readers of one line": (
        SENTENCES + HEADING + SENTENCES.replace('"s"', '"t"') + HEADING,
        "source 't', port = \"/dev/ttyUSB0\": source 's' reads that line already; a line has one reader, "
        "so put all its channels under one source",
    ),
    "no broker": (
        TOPICS.replace('broker = "127.0.0.1"', "") + VOLTS,
        'source \'s\': kind "mqtt" needs broker, for instance broker = "127.0.0.1:1883"',
    ),
    "a web address": (
        TOPICS.replace("127.0.0.1", "http://mast:1883/") + VOLTS,
        'source \'s\', broker = "http://mast:1883/": should be "HOST" or "HOST:PORT" '
        '(for instance broker = "127.0.0.1:1883")',
    ),
    "a port beyond all": (
        TOPICS.replace("127.0.0.1", "mast:70000") + VOLTS,
        'source \'s\', broker = "mast:70000": should be "HOST" or "HOST:PORT" (for instance broker = "127.0.0.1:1883")',
    ),
    "a wildcard": (
        TOPICS + entry('"barge/+/volts"', "air.outside.temperature"),
        f'{AIR}"barge/+/volts": {TOPIC_RULE}',
    ),
    "a position": (TOPICS + entry("1", "air.outside.temperature"), f"{AIR}1: {TOPIC_RULE}"),
    "retained": (
        TOPICS + 'retained = "yes"\n' + VOLTS,
        'source \'s\', retained = "yes": should be "skip" or "take"',
    ),
    "own echo": (
        PUBLISH + TOPICS + entry('"lapwing/latest/x#/value"', "air.outside.temperature"),
        "source 's', field = \"lapwing/latest/x#/value\": [publish] writes below lapwing/ itself: what it says would "
        "come back as readings; choose another word for under",
    ),
    "double brackets": (
        PUBLISH.replace("[publish]", "[[publish]]"),
        "[[publish]] stands once alone: write [publish] with single brackets",
    ),
    "under a wildcard": (
        PUBLISH.replace('"lapwing"', '"lapwing/#"'),
        'publish, under = "lapwing/#": should be words of a-z, 0-9, _ and -, joined by slashes '
        '(for instance under = "lapwing")',
    ),
    "too often": (PUBLISH + "every_s = 0.1", "publish, every_s = 0.1: must be at least 1 (for instance every_s = 10)"),
}


@pytest.mark.parametrize("case", MISTAKES)
def test_a_mistake_is_one_sentence(case: str) -> None:
    """Key, value, rule, example."""
    text, said = MISTAKES[case]
    with pytest.raises(SettingsError, match="1 mistake") as fault:
        settings_file.parse(BASE + text)
    assert list(fault.value.problems) == [said]


def test_the_plan_holds_what_the_logger_needs(tmp_path: Path) -> None:
    """The format of the kind, the standard's speed where none is stated, whole paths; no password."""
    file = tmp_path / "noonmark.toml"
    text = SENTENCES + HEADING + TOPICS.replace('"s"', '"t"') + 'password_file = "broker.txt"\n' + VOLTS + PUBLISH
    file.write_text(BASE + text, encoding="utf-8")
    (tmp_path / "broker.txt").write_text("barge\nsalt water\n", encoding="utf-8")
    made = settings_file.plan(settings_file.read(file))
    sentences, topics = made.sources
    assert (sentences.kind, sentences.baud) == ("nmea0183", 4800)
    assert (topics.kind, topics.broker, topics.retained) == ("mqtt", "127.0.0.1", "skip")
    assert topics.password_file == str(tmp_path / "broker.txt")
    assert made.publish == PublishPlan("127.0.0.1", "lapwing", 10.0)
    assert "salt water" not in made.to_json()
    assert Plan.from_json(made.to_json()) == made


@pytest.mark.parametrize(("baud", "expected"), [("baud = 38400\n", 38400), ("baud = 9600\n", 9600)])
def test_a_stated_speed_counts(tmp_path: Path, baud: str, expected: int) -> None:
    """Also the one that other lines have without a word."""
    file = tmp_path / "noonmark.toml"
    file.write_text(BASE + SENTENCES + baud + HEADING, encoding="utf-8")
    assert settings_file.plan(settings_file.read(file)).sources[0].baud == expected
