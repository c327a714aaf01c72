"""Lapwing's live minutes: three formats over real pseudo-terminals, one clock in two processes."""

from __future__ import annotations

import dataclasses
import json
import sys
from functools import cache
from pathlib import Path
from threading import Event
from typing import get_args

import pytest

from fixtures.lapwing.clock import StoryClock
from fixtures.lapwing.kit import Kit, settings_text
from fixtures.lapwing.live import tell
from fixtures.lapwing.speak import Utterance, crc16, utterances
from fixtures.lapwing.story import Story
from fixtures.lapwing.vessel import Voyage, sail
from logger import settings_file
from logger.errors import NoonmarkError
from logger.plan import Plan

FAKE_LOGGER = (sys.executable, str(Path(__file__).with_name("fake_logger.py")))
STORY = Story.told(1)


@cache
def voyage() -> Voyage:
    return sail(STORY)


def plan(folder: Path, kit: Kit) -> Plan:
    path = folder / "noonmark.toml"
    path.write_text(settings_text(kit, folder), encoding="utf-8")
    return settings_file.plan(settings_file.read(path))


def lines(said: list[Utterance], source: str) -> list[str]:
    return [u.line.decode("ascii").rstrip("\r\n") for u in said if u.source == source]


def test_check_is_that_of_modbus() -> None:
    """The check value of this cyclic check over "123456789" is 0x4B37 (catalogues of such checks)."""
    assert crc16(b"123456789") == 0x4B37


@pytest.mark.parametrize("kit", get_args(Kit))
def test_every_line_carries_what_the_settings_say(kit: Kit) -> None:
    """Positions, keys and pointers of the settings are all there, and few lines are alike."""
    settings = settings_file.parse(settings_text(kit))
    said = utterances(STORY, voyage(), kit)
    by_name = {s.name: s for s in settings.source}
    for line in lines(said, "cabin controller"):
        body, check = line.rsplit(",", 1)
        assert int(check, 16) == crc16(body.encode())
        assert len(body.split(",")) == len(by_name["cabin controller"].channel)
    for line in lines(said, "gantry controller"):
        pairs = dict(pair.split("=") for pair in line.split("; "))
        assert list(pairs) == [c.field for c in by_name["gantry controller"].channel]
    for line in lines(said, "sensor board"):
        whole = json.loads(line)
        for entry in by_name["sensor board"].channel:
            here = whole
            for step in str(entry.field).split("/")[1:]:
                here = here[int(step)] if isinstance(here, list) else here[step]
            assert isinstance(here, int | float)
    for source in by_name.keys() - {"history"}:
        assert len(lines(said, source)) >= 100
        assert len(set(lines(said, source))) > 60


def test_live_lines_go_on_where_the_history_ends() -> None:
    """All that is said lies in the last ten minutes, in order of time, first words within ten seconds."""
    times = [u.at_s for u in utterances(STORY, voyage())]
    assert times == sorted(times)
    assert STORY.live_s < times[0] < STORY.live_s + 10
    assert STORY.end_s - 10 < times[-1] < STORY.end_s


def test_clock_stands_until_it_is_let_go_and_then_both_run_at_one_rate() -> None:
    """Wall and boot-time clock gain the same; waiting takes story time, a sixtieth of the real one."""
    clock = StoryClock.standing(1_000_000)
    other = StoryClock(clock.moment_ms, clock.start_ns, clock.shared)
    try:
        assert clock.now_ms() == other.now_ms() == 1_000_000
        boot = clock.boot_ns()
        clock.let_go()
        assert not clock.wait(Event(), 6)
        gained = other.now_ms() - 1_000_000
        assert gained >= 6_000
        assert clock.boot_ns() - boot >= gained * 1_000_000
        assert (clock.boot_ns() - boot) // 1_000_000 == pytest.approx(clock.now_ms() - 1_000_000, abs=1_000)
    finally:
        other._let_go.close()
        clock.close()


@pytest.mark.terminal
def test_all_that_is_said_arrives_at_a_process_of_its_own(tmp_path: Path) -> None:
    """Byte for byte over the three lines, on the story's time, and the lines' names are gone afterwards."""
    heard_path = tmp_path / "heard.json"
    listening = dataclasses.replace(plan(tmp_path, "full"), store_path=str(heard_path))
    done: list[float] = []
    sent = tell(STORY, voyage(), "full", tmp_path / "lines", listening, done.append, FAKE_LOGGER)
    heard = json.loads(heard_path.read_text())
    said = utterances(STORY, voyage())
    assert sent == len(said)
    for source in ("cabin controller", "gantry controller", "sensor board"):
        assert heard[source] == "".join(u.line.decode() for u in said if u.source == source)
    assert heard["standing"] == STORY.live_s * 1000
    assert STORY.end_s * 1000 <= heard["stopped"]
    assert done[-1] == 1.0
    assert list((tmp_path / "lines").iterdir()) == []


@pytest.mark.terminal
def test_a_logger_that_ends_at_once_is_said_plainly(tmp_path: Path) -> None:
    """A logger that leaves without opening the lines is an error with the folder's name, not a hang."""
    deaf = dataclasses.replace(plan(tmp_path, "bare"), settings_text="deaf")
    with pytest.raises(NoonmarkError, match=r"did not open the story's serial lines in .*lines"):
        tell(STORY, voyage(), "bare", tmp_path / "lines", deaf, logger=FAKE_LOGGER)
