"""A real broker on loopback: topics as a source, latest values and findings left for others."""

from __future__ import annotations

import itertools
import json
import re
import time
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner

from analysis.results_reading import Results
from dashboard.cli import main as cli
from dashboard.commands.judging import leave_findings
from logger import settings_file
from logger.broker import Broker
from logger.errors import LineFault, LineRefused
from logger.store import open_reader
from tests.dashboard import story

from .broker import RealBroker, real_broker
from .rig import Aboard, until

pytestmark = pytest.mark.broker

GAUGES = """
[[source]]
name = "gauges"
kind = "mqtt"
broker = "{address}"
{more}
[[source.channel]]
field = "barge/volts"
channel = "bank.house.voltage"
[[source.channel]]
field = "barge/shunt#/amps"
channel = "bank.house.current"
unit = "mA"
"""
PUBLISH = """
[publish]
broker = "{address}"
under = "lapwing"
every_s = 1
"""


def test_topics_are_recorded_over_a_restart_of_the_broker(tmp_path: Path) -> None:
    """A plain number and a field of JSON; one message a change while the broker is away; a gap of its true length."""
    with real_broker(tmp_path) as broker:
        aboard = Aboard(tmp_path, GAUGES.format(address=broker.address, more=""))
        with aboard.recording() as process:
            broker.subscribed()
            broker.say("barge/volts", "26.4")
            broker.say("barge/shunt", '{"amps": -4200, "more": [1]}')
            broker.say("barge/other", "99")
            broker.say("barge/volts", "nonsense")
            until(aboard.reasons, "the reject")
            assert aboard.state() == "reading"
            broker.stop()
            until(lambda: aboard.state() == "waiting", "the loss")
            gone = time.monotonic()
            until(lambda: time.monotonic() - gone > 3)
            broker.start()
            broker.subscribed(2)
            broker.say("barge/volts", "26.5")
            until(lambda: len(aboard.values()) == 2, "reading again")
            process.terminate()
            assert process.wait(30) == 0
    assert aboard.values() == [26.4, 26.5]
    assert aboard.values("bank.house.current") == [-4.2]
    assert aboard.ask("SELECT raw, reason FROM reject") == [(b"barge/volts nonsense", "not a reading")]
    assert len(aboard.events("gap")) == 1
    assert [text.partition(":")[0] for text in aboard.events("state")][:3] == ["reading", "waiting", "reading"]
    assert sum("waiting" in row for row in aboard.messages()) == 1


def test_a_kept_message_is_no_reading(tmp_path: Path) -> None:
    """The broker keeps it since nobody knows when: told once as an event, also after each new connection."""
    with real_broker(tmp_path) as broker:
        broker.say("barge/volts", "21.0", retain=True)
        aboard = Aboard(tmp_path, GAUGES.format(address=broker.address, more=""))
        with aboard.recording() as process:
            until(lambda: aboard.events("retained"), "the event")
            broker.say("barge/volts", "26.4", retain=True)
            until(aboard.values, "a reading")
            process.terminate()
            assert process.wait(30) == 0
    assert aboard.values() == [26.4]
    (told,) = aboard.events("retained")
    assert told.startswith("barge/volts: the broker has kept an older message (21.0)")


def test_a_kept_message_is_a_reading_where_the_settings_say_so(tmp_path: Path) -> None:
    """For a device that publishes a value once and is trusted to be right still."""
    with real_broker(tmp_path) as broker:
        broker.say("barge/volts", "21.0", retain=True)
        aboard = Aboard(tmp_path, GAUGES.format(address=broker.address, more='retained = "take"'))
        with aboard.recording() as process:
            until(aboard.values, "a reading")
            process.terminate()
            assert process.wait(30) == 0
    assert aboard.values() == [21.0]


def test_a_password_that_is_mended_is_taken_without_a_restart(tmp_path: Path) -> None:
    """Refused in words, once; never with the password in them, nor in the store."""
    with real_broker(tmp_path, password="salt water") as broker:
        secret = tmp_path / "broker.txt"
        secret.write_text("barge\nfresh water\n", encoding="utf-8")
        aboard = Aboard(tmp_path, GAUGES.format(address=broker.address, more='password_file = "broker.txt"'))
        with aboard.recording() as process:
            (told,) = until(lambda: aboard.events("state"), "the refusal")
            assert re.fullmatch(r"waiting: broker 127\.0\.0\.1:\d+: refused \(.+\); see password_file .*", told)
            secret.write_text("barge\nsalt water\n", encoding="utf-8")
            broker.subscribed()
            broker.say("barge/volts", "26.4")
            until(aboard.values, "a reading")
            process.terminate()
            assert process.wait(30) == 0
    assert aboard.values() == [26.4]
    assert b"water" not in aboard.store.read_bytes()
    assert not [row for row in aboard.messages() if "water" in row]


@pytest.mark.parametrize("text", [None, ""])
def test_a_password_file_that_cannot_be_used(tmp_path: Path, text: str | None) -> None:
    """Missing or empty: what it should hold is said."""
    if text is not None:
        (tmp_path / "broker.txt").write_text(text, encoding="utf-8")
    with (
        closing(Broker("127.0.0.1:1", str(tmp_path / "broker.txt"))) as broker,
        pytest.raises(LineRefused, match="it holds the user on its first line"),
    ):
        broker.open()


def test_no_broker_there_is_told_with_its_address() -> None:
    """Nothing listens at port 1 of loopback."""
    with (
        closing(Broker("127.0.0.1:1")) as broker,
        pytest.raises(LineFault, match=r"^broker 127\.0\.0\.1:1: not there \(.*refused"),
    ):
        broker.open()


def test_latest_values_are_left_for_others(tmp_path: Path) -> None:
    """The newest of each channel, retained, at most one in the interval; another program needs no more than JSON."""
    with real_broker(tmp_path) as broker:
        aboard = Aboard(
            tmp_path, GAUGES.format(address=broker.address, more=""), PUBLISH.format(address=broker.address)
        )
        with aboard.recording() as process:
            broker.subscribed()
            begun = time.monotonic()
            for n in range(40):
                broker.say("barge/volts", f"{n}")
            broker.say("barge/volts", "400")
            heard = broker.hear("lapwing/latest/#", lambda heard: bool(heard) and _value(heard[-1].payload) == 400)
            spent_s = time.monotonic() - begun
            process.terminate()
            assert process.wait(30) == 0
        kept = broker.hear("lapwing/latest/bank.house.voltage", bool)
    assert {message.topic for message in heard} == {"lapwing/latest/bank.house.voltage"}
    assert len(heard) <= spent_s + 2  # one a second, and the one that was kept
    assert [message.retained for message in kept] == [True]
    value = json.loads(kept[0].payload)
    at = value.pop("at")
    # Above 150 V no bank can be.
    assert value == {"value": 400, "unit": "V", "plausible": False}
    (stored,) = aboard.ask("SELECT strftime('%Y-%m-%dT%H:%M:%fZ', max(t) / 1000.0, 'unixepoch') FROM sample")
    assert at[:21] == stored[0][:21]


def _value(payload: bytes) -> object:
    return json.loads(payload)["value"]


def test_a_broker_that_is_away_costs_no_reading(tmp_path: Path) -> None:
    """Publishing fails, recording goes on; told once, and once more when it is there again with the newest value."""
    with real_broker(tmp_path) as broker:
        (tmp_path / "other").mkdir()
        other = RealBroker(tmp_path / "other")
        aboard = Aboard(tmp_path, GAUGES.format(address=broker.address, more=""), PUBLISH.format(address=other.address))
        with aboard.recording() as process:
            broker.subscribed()
            broker.say("barge/volts", "26.4")
            until(lambda: aboard.events("publishing"), "the trouble")
            broker.say("barge/volts", "26.5")
            until(lambda: len(aboard.values()) == 2, "recording")
            other.start()
            try:
                (kept,) = other.hear("lapwing/latest/bank.house.voltage", bool)
                until(lambda: len(aboard.events("publishing")) == 2, "the end of the trouble")
            finally:
                other.stop()
            process.terminate()
            assert process.wait(30) == 0
    assert _value(kept.payload) == 26.5
    assert [text.split(":")[0].split(" to ")[0] for text in aboard.events("publishing")] == [
        "not published",
        "published",
    ]


def test_assess_leaves_its_findings(tmp_path: Path) -> None:
    """The open ones as they are printed, in place of those before; a broker that is away spoils no verdict."""
    with real_broker(tmp_path) as broker:
        aboard = Aboard(
            tmp_path, GAUGES.format(address=broker.address, more=""), PUBLISH.format(address=broker.address)
        )
        with aboard.recording() as process:
            broker.subscribed()
            broker.say("barge/volts", "26.4")
            until(aboard.values, "a reading")
            process.terminate()
            assert process.wait(30) == 0
        done = CliRunner().invoke(cli, ["assess", "--settings", str(aboard.settings), "--json"])
        assert done.exit_code == 0, done.output
        (message,) = broker.hear("lapwing/findings", bool)
    left = json.loads(message.payload)
    assert message.retained
    assert left["site"] == "Lapwing"
    assert left["findings"] == json.loads(done.stdout)["findings"]
    alone = CliRunner().invoke(cli, ["assess", "--settings", str(aboard.settings), "--json"])
    assert alone.exit_code == 0
    assert "the findings were not published: broker" in alone.stderr


def test_open_findings_are_left_as_they_are_printed(tmp_path: Path) -> None:
    """Three notices in force, each with rule, subject, priority and causes; none of those that have returned."""
    told = story.write(tmp_path)
    with real_broker(tmp_path) as broker:
        settings = tmp_path / "published.toml"
        settings.write_text(story.SETTINGS + PUBLISH.format(address=broker.address), encoding="utf-8")
        with closing(open_reader(told.store)) as connection:
            results = Results(connection)
            leave_findings(settings_file.read(settings), results)
            expected = [found for found in results.findings() if found.is_open]
        (message,) = broker.hear("lapwing/findings", bool)
    left = json.loads(message.payload)["findings"]
    assert 0 < len(left) == len(expected)
    assert [(e["rule"], e["subject"], e["priority"], e["causes"][0]["cause"]) for e in left] == [
        (found.rule, found.subject, found.priority, found.causes[0].cause) for found in expected
    ]


def test_messages_keep_their_order(tmp_path: Path) -> None:
    """Five hundred numbers, each once, times rising."""
    with real_broker(tmp_path) as broker:
        aboard = Aboard(tmp_path, GAUGES.format(address=broker.address, more=""))
        with aboard.recording() as process:
            broker.subscribed()
            with closing(Broker(broker.address)) as device:
                device.open()
                device.publish([("barge/volts", str(n).encode()) for n in range(500)])
            until(lambda: len(aboard.values()) == 500, "the readings")
            process.terminate()
            assert process.wait(30) == 0
    assert aboard.values() == list(range(500))
    times = [t for (t,) in aboard.ask("SELECT t FROM sample ORDER BY t")]
    assert all(a < b for a, b in itertools.pairwise(times))
