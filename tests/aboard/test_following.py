"""A growing file followed by the real logger, beside a live line."""

from __future__ import annotations

from pathlib import Path

import pytest

from .rig import Aboard, device, heard_from_the_start, source, until

pytestmark = pytest.mark.terminal

HISTORY = """
[[source]]
name = "history"
kind = "csv"
path = "inbox/*.csv"
time = {{ field = "time", zone = "UTC" }}
[[source.channel]]
field = "outside"
channel = "air.outside.temperature"
"""


def row(n: int) -> str:
    return f"2026-06-12T{n // 3600:02d}:{n // 60 % 60:02d}:{n % 60:02d}Z,{n / 10}\n"


def test_a_growing_file_is_followed_over_a_kill(tmp_path: Path) -> None:
    """Rows come in as they are written, each once, whatever happens to the logger; minutes get their rows."""
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    file = inbox / "air.csv"
    with device(tmp_path / "cabin-controller") as made:
        aboard = Aboard(tmp_path, source(made), HISTORY.format())
        file.write_text("time,outside\n" + "".join(map(row, range(500))), encoding="utf-8")
        with aboard.recording() as process:
            heard_from_the_start(made)
            made.says(b"V=13.1,I=4.2\n")
            until(lambda: len(aboard.values("air.outside.temperature")) == 500, "the rows")
            until(aboard.values, "the live reading")
            process.kill()
            process.wait()
        with file.open("a", encoding="utf-8") as more:
            more.writelines(map(row, range(500, 700)))
        with aboard.recording() as process:
            until(lambda: len(aboard.values("air.outside.temperature")) == 700, "what came meanwhile")
            process.terminate()
            assert process.wait(30) == 0
    assert aboard.values("air.outside.temperature") == [n / 10 for n in range(700)]
    assert aboard.ask("SELECT readings, rejects FROM source WHERE name = 'history'") == [(700, 0)]
    assert aboard.ask("SELECT count(*) FROM minute JOIN channel ON id = channel WHERE unit = '°C'") == [(12,)]
