"""`noonmark clock`: a time from a watch sets right what was recorded before."""

from __future__ import annotations

import json
import time
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from dashboard.cli import main
from dashboard.commands.clock import typed
from logger import schema
from logger.clock import SystemClock
from logger.errors import UsageError
from logger.store import claim, open_reader, open_writer

NOON = 1_781_265_600_000  # 2026-06-12T12:00:00Z
MINUTE = 60_000

SETTINGS = """
[site]
name = "Lapwing"
latitude = 47.58
longitude = -2.90
timezone = "Europe/Paris"
moored = "swinging"
[store]
path = "lapwing.db"
"""


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("14:32Z", NOON + 152 * MINUTE + 30_000),
        ("16:32+02:00", NOON + 152 * MINUTE + 30_000),
        ("14:32:10z", NOON + 152 * MINUTE + 10_000),
        ("9:05Z", NOON - 175 * MINUTE + 30_000),
        ("2026-06-13T14:32Z", NOON + 1592 * MINUTE + 30_000),
        ("2026-06-12 14:32-0100", NOON + 212 * MINUTE + 30_000),
        ("00:02Z", NOON + 722 * MINUTE + 30_000),
    ],
)
def test_a_time_is_read_as_it_is_meant(text: str, moment: int) -> None:
    """Of a minute without seconds the middle; without a date the day on which it is nearest to what is shown."""
    assert typed(text, NOON + 5 * MINUTE, None) == moment


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("half past two", "is no time; write it as on a watch"),
        ("14:32", "lacks its zone; write 14:32Z for UTC"),
        ("25:00Z", "is no time"),
        ("14:60Z", "is no time"),
        ("2026-02-30T14:32Z", "is no time"),
        ("1979-06-12T14:32Z", "before 1980 or from 2038 on cannot be"),
        ("2038-06-12T14:32Z", "before 1980 or from 2038 on cannot be"),
        ("2026-06-11T14:32Z", "the record holds readings of 2026-06-12T11:00:00Z whose clock was right"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_a_reason(text: str, why: str) -> None:
    """Nothing is guessed."""
    with pytest.raises(UsageError, match=why):
        typed(text, NOON, NOON - 60 * MINUTE)


@pytest.mark.parametrize("wall", [60_000, NOON - 86_400_000])
def test_a_machine_that_does_not_know_the_day_asks_for_it(wall: int) -> None:
    """In 1970, or at the last time that it remembers: the time of day alone would be put on a wrong day."""
    with pytest.raises(UsageError, match="cannot know the day either; write the date too: 2026-06-12T14:32Z"):
        typed("14:32Z", wall, NOON)


@pytest.fixture
def aboard(tmp_path: Path) -> Path:
    """A store with a session of this boot, two hours behind, of which nobody vouched for the clock."""
    (tmp_path / "noonmark.toml").write_text(SETTINGS, encoding="utf-8")
    store = tmp_path / "lapwing.db"
    schema.prepare(store)
    started = round((time.time() - 7200) * 1000) - 600_000
    boot_ns = SystemClock().boot_ns() - 600 * 10**9
    with closing(open_writer(store)) as connection:
        connection.execute("INSERT INTO channel (id, name, unit) VALUES (1, 'bank.house.voltage', 'V')")
        connection.executemany(
            "INSERT INTO sample (t, channel, value) VALUES (?, 1, ?)", [(started + 1000 * n, n) for n in range(10)]
        )
        connection.execute(
            "INSERT INTO session (boot_id, started, stopped, monotonic_ns, clock, live) VALUES (?, ?, ?, ?, ?, ?)",
            (
                SystemClock().boot_id(),
                started,
                started + 10_000,
                boot_ns,
                "unknown",
                '{"cabin controller": ["bank.house.voltage"]}',
            ),
        )
    return tmp_path


def run(aboard: Path, *arguments: str) -> Result:
    return CliRunner().invoke(main, ["clock", *arguments, "--settings", str(aboard / "noonmark.toml")])


def samples(aboard: Path) -> list[tuple[float, float]]:
    with closing(open_reader(aboard / "lapwing.db")) as connection:
        return [(t / 1000 - time.time(), v) for t, v in connection.execute("SELECT t, value FROM sample ORDER BY t")]


def now() -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())


def test_a_typed_time_moves_what_was_recorded_in_this_boot(aboard: Path) -> None:
    """No logger is at work: the command does it itself, within half a minute."""
    before = samples(aboard)
    done = run(aboard, now())
    assert done.exit_code == 0, done.output
    after = samples(aboard)
    assert [value for _, value in after] == [value for _, value in before]
    assert after[0][0] == pytest.approx(-600, abs=35)
    report = json.loads(run(aboard, "--json").stdout)
    assert report["last_good"]["kind"] == "person"
    assert report["unsettled"] == []


def test_beside_a_logger_the_word_is_kept_for_it(aboard: Path) -> None:
    """Only one of them moves readings."""
    before = samples(aboard)
    with claim(aboard / "lapwing.db"):
        done = run(aboard, now())
    assert done.exit_code == 0
    assert "the logger is at work and takes it over" in done.stderr
    assert samples(aboard)[0][0] == pytest.approx(before[0][0], abs=30)
    report = json.loads(run(aboard, "--json").stdout)
    assert len(report["unsettled"]) == 1


def test_without_a_time_it_says_who_vouches(aboard: Path) -> None:
    """And which part of the record waits."""
    told = run(aboard).stdout
    assert "they judge no array" in told
    assert told.count(" to ") >= 1


def test_nonsense_leaves_with_status_two(aboard: Path) -> None:
    """Wrong usage."""
    assert run(aboard, "soon").exit_code == 2
