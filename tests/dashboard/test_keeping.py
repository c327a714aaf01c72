"""A backup is made by one command, and restored as the README says."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from dashboard.cli import main
from fixtures.lapwing.kit import settings_text
from logger.schema import prepare
from logger.sealed import DAY_MS
from logger.settings_file import read
from logger.store import Channels, open_reader, open_writer

ROOT = Path(__file__).parents[2]


def noonmark(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture
def aboard(tmp_path: Path) -> Path:
    """A folder with settings, a store and an archive."""
    folder = tmp_path / "aboard"
    (folder / "archive").mkdir(parents=True)
    (folder / "noonmark.toml").write_text(settings_text("full"), encoding="utf-8")
    (folder / "archive" / "2026-06-01.parquet").write_bytes(b"sealed")
    prepare(folder / "lapwing.db")
    with closing(open_writer(folder / "lapwing.db")) as writer:
        writer.execute("INSERT INTO logbook (t, author, text) VALUES (1, 'mate', 'before')")
    (tmp_path / "stick").mkdir()
    assert read(folder / "noonmark.toml").store_path == folder / "lapwing.db"
    return folder


def texts(store: Path) -> list[str]:
    with closing(open_reader(store)) as reader:
        return [text for (text,) in reader.execute("SELECT text FROM logbook ORDER BY id")]


def test_the_command_makes_and_checks_a_backup(aboard: Path) -> None:
    settings = aboard / "noonmark.toml"
    done = noonmark("backup", aboard.parent / "stick", "--settings", settings, "--json")
    assert done.exit_code == 0
    said = json.loads(done.stdout)
    assert said["rows"]["logbook"] == 1
    assert said["files"] == 3
    checked = noonmark("backup", "--check", said["backup"])
    assert checked.exit_code == 0
    assert "whole, 3 files" in checked.stdout
    (Path(said["backup"]) / "noonmark.toml").write_text("other", encoding="utf-8")
    spoilt = noonmark("backup", "--check", said["backup"])
    assert spoilt.exit_code == 1
    assert "noonmark.toml changed since it was made; use another backup" in spoilt.stderr


def test_a_backup_is_restored_as_the_readme_says(aboard: Path) -> None:
    """Its lines, word for word but for the places, over a store that has lost its way and left its side files."""
    settings = aboard / "noonmark.toml"
    made = json.loads(noonmark("backup", aboard.parent / "stick", "--settings", settings, "--json").stdout)["backup"]
    (aboard / "lapwing.db").write_bytes(b"spoilt" * 1000)
    (aboard / "lapwing.db-wal").write_bytes(b"stale" * 1000)
    shutil.rmtree(aboard / "archive")
    section = (ROOT / "README.md").read_text(encoding="utf-8").partition("## Keeping a copy")[2].partition("\n## ")[0]
    (lines,) = re.findall(r"```sh\n(.*?)```", section, re.DOTALL)
    assert lines.strip().endswith("noonmark assess")
    steps = lines.replace("/media/stick/lapwing-2026-06-14-080000", made).replace("noonmark assess", "")
    subprocess.run(["sh", "-e", "-c", steps], cwd=aboard, check=True)
    assert texts(aboard / "lapwing.db") == ["before"]
    assert (aboard / "archive" / "2026-06-01.parquet").read_bytes() == b"sealed"
    assert noonmark("assess", "--settings", settings).exit_code == 0


def test_a_backup_of_an_archive_with_holes_says_so(aboard: Path) -> None:
    """What was missing or damaged aboard is told with the backup, and each time it is checked; the rest is there."""
    settings, stick, archive = aboard / "noonmark.toml", aboard.parent / "stick", aboard / "archive"
    with closing(open_writer(aboard / "lapwing.db")) as writer:
        channel = Channels(writer).id("bank.house.voltage", "V")
        writer.executemany(
            "INSERT INTO sample VALUES (?, ?, ?)", ((DAY_MS * n + 1, channel, 25.0) for n in range(20_000, 20_004))
        )
    assert noonmark("archive", "--settings", settings).exit_code == 0
    first, second, third, whole = sorted(archive.glob("lapwing-2*.parquet"))
    before = json.loads(noonmark("backup", stick, "--settings", settings, "--json").stdout)
    assert before["flaws"] == {}
    first.unlink()
    second.write_bytes(second.read_bytes()[:-9])
    shutil.copy(whole, third)
    other = aboard.parent / "other stick"
    other.mkdir()
    done = noonmark("backup", other, "--settings", settings, "--json")
    assert done.exit_code == 1
    said = json.loads(done.stdout)
    assert list(said["flaws"]) == [first.name, second.name]  # the third holds as many rows as it should
    assert said["files"] == before["files"] - 1
    assert f"({first.name}: missing; {second.name}: damaged). Keep the earlier backups" in done.stderr
    assert f"{first.name}: missing" in noonmark("backup", "--check", said["backup"]).stderr
    sealing = noonmark("archive", "--settings", settings)
    assert sealing.exit_code == 1
    assert f"1 sealed file missing, first {first.name}; bring it back from a backup" in sealing.stderr
