"""A long file is brought in beside a running logger: nothing that is heard meanwhile is lost."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from logger.schema import prepare

from .rig import Aboard, device, source, until
from .test_kills import Talker, lean_logger

pytestmark = pytest.mark.terminal

ROWS = 30_000
HISTORY = """
[[source]]
name = "history"
kind = "csv"
path = "nowhere/*.csv"
time = { field = "time", zone = "UTC" }
[[source.channel]]
field = "cabin"
channel = "air.cabin.temperature"
[[source.channel]]
field = "outside"
channel = "air.outside.temperature"
"""


def test_no_reading_is_lost_beside_an_import(tmp_path: Path) -> None:
    """A hundred lines a second, a flush each 0.3 s, and a file of tens of thousands of rows between."""
    rows = [f"2026-05-{1 + n // 1440:02d} {n // 60 % 24:02d}:{n % 60:02d},{n % 30},{n % 20}" for n in range(ROWS)]
    file = tmp_path / "long.csv"
    file.write_text("\n".join(["time,cabin,outside", *rows]) + "\n", encoding="utf-8")
    with device(tmp_path / "cabin-controller") as made:
        aboard = Aboard(tmp_path, source(made) + HISTORY, flush=0.3)
        prepare(aboard.store)
        talker = Talker(made)
        with talker.talking(), lean_logger(aboard) as process:
            until(lambda: len(aboard.values()) > 10, "the first readings")
            done = subprocess.run(
                [sys.executable, "-m", "dashboard", "import", str(file), "--settings", str(aboard.settings)],
                cwd=tmp_path,
                capture_output=True,
                text=True,
                check=False,
            )
            assert done.returncode == 0, done.stderr
            after = len(talker.said)
            until(lambda: aboard.values()[-1] > after, "readings after the import")
            process.terminate()
            assert process.wait(30) == 0
    kept = [int(value) for value in aboard.values()]
    assert kept == list(range(kept[0], kept[-1] + 1))
    assert len(aboard.values("air.cabin.temperature")) == ROWS
    assert aboard.events("store") == []
