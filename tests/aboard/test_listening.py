"""``noonmark listen`` on a real pseudo-terminal."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from .rig import Device, claimed, device

pytestmark = pytest.mark.terminal


@pytest.fixture
def cabin(tmp_path: Path) -> Iterator[Device]:
    with device(tmp_path / "cabin-controller") as made:
        yield made


@contextmanager
def talking(made: Device, *lines: bytes) -> Iterator[None]:
    """The device says these again and again while someone listens."""
    stop = threading.Event()

    def talk() -> None:
        while not stop.wait(0.02):
            if claimed(made):
                for line in lines:
                    made.says(line)

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def listen(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "dashboard", "listen", *arguments],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=60,
        check=False,
        env={**os.environ, **environment},
    )


def test_what_a_line_says_becomes_a_block_for_the_settings(cabin: Device) -> None:
    """What it says goes to the eyes, the block alone to standard output."""
    with talking(cabin, b"V=13.1,I=4.2,T=21\r\n"):
        done = listen(str(cabin.link), "--baud", "19200")
    assert done.returncode == 0
    source = tomllib.loads(done.stdout)["source"][0]
    assert (source["port"], source["baud"], source["format"]) == (str(cabin.link), 19200, "keyvalue")
    assert [channel["field"] for channel in source["channel"]] == ["V", "I", "T"]
    assert "V=13.1,I=4.2,T=21" in done.stderr


@pytest.mark.parametrize("locale", ["C", "C.UTF-8"])
def test_the_same_as_json(cabin: Device, locale: str) -> None:
    """For other programs, whatever the locale and the device's words."""
    with talking(cabin, "13.1;4.2;21 °C\n".encode()):
        done = listen(str(cabin.link), "--baud", "9600", "--json", LC_ALL=locale)
    said = json.loads(done.stdout)
    assert (said["format"], said["separator"], said["baud"], said["checksum"]) == ("delimited", ";", 9600, "none")
    assert said["fields"] == [{"field": 1, "last": "13.1"}, {"field": 2, "last": "4.2"}, {"field": 3, "last": "21 °C"}]


def test_silence_is_said_plainly(cabin: Device) -> None:
    """Which speeds were tried, for how long, and what to look at."""
    done = listen(str(cabin.link), "--seconds", "0.2")
    assert done.returncode == 1
    assert done.stdout == ""
    assert "115200 baud: nothing" in done.stderr
    assert "nothing came in" in done.stderr
    assert "is the device on, its TX on our RX" in done.stderr


def test_noise_is_said_plainly(cabin: Device) -> None:
    """Bytes, but no text: another speed, or no text at all."""
    with talking(cabin, bytes(range(128, 256)) * 2):
        done = listen(str(cabin.link), "--baud", "9600", "--seconds", "0.5")
    assert done.returncode == 1
    assert "none readable as text at 9600 baud" in done.stderr


def test_a_line_that_is_not_there_is_said() -> None:
    """With what to do."""
    done = listen("/dev/serial/by-id/nowhere")
    assert done.returncode == 1
    assert "not there; plug it in" in done.stderr


def test_lines_are_listed() -> None:
    """Without a line named: those of this machine, as text and as JSON."""
    said = json.loads(listen("--json").stdout)
    assert all(set(line) == {"name", "device", "about", "stable", "held_by"} for line in said["lines"])
    done = listen()
    assert done.returncode == 0
    assert [row for row in done.stdout.splitlines() if not row.startswith(" ")] == [
        line["name"] for line in said["lines"]
    ]
    assert ("No serial line here" in done.stderr) == (not said["lines"])
