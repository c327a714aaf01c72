"""An older record is brought up to date with a copy made first, never under a running logger, never by halves."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
import sqlite_utils
from sqlite_utils.migrations import Migrations

from logger import backup, schema
from logger.backup import KEPT_BEFORE_UPGRADE, verified_rows
from logger.errors import StoreError
from logger.schema import migrations, prepare
from logger.store import claim, open_reader, open_writer

PAST = Path(__file__).parent / "past_schemas"
KILLS = 6
ROWS = 20_000


def old_store(path: Path, name: str = "first_tables") -> Path:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
        connection.executescript((PAST / f"{name}.sql").read_text(encoding="utf-8"))
    return path


def later() -> Migrations:
    """Ours, and one more that adds a table and a column. A row of `tide` counts the samples of its moment."""
    grown = Migrations("noonmark")
    for one in migrations._migrations:
        grown(name=one.name)(one.fn)

    @grown()
    def tides(db: sqlite_utils.Database) -> None:
        db.execute("ALTER TABLE source ADD COLUMN tide REAL")
        db.execute("CREATE TABLE tide (t INTEGER PRIMARY KEY, metres REAL)")
        db.execute("INSERT INTO tide SELECT t, count(*) FROM sample GROUP BY t")

    return grown


@pytest.fixture
def grown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(schema, "migrations", later())


def rows(path: Path) -> dict[str, list[dict[str, Any]]]:
    """Every row of every table but the book of migrations."""
    with closing(open_reader(path)) as connection:
        connection.row_factory = sqlite3.Row
        names = [n for (n,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {
            name: [dict(row) for row in connection.execute(f'SELECT * FROM "{name}"')]
            for name in names
            if name != "_sqlite_migrations"
        }


def copies(path: Path) -> list[Path]:
    return sorted(path.parent.glob(f"{path.stem}-before-upgrade-*"))


@pytest.mark.parametrize("name", sorted(sample.stem for sample in PAST.glob("*.sql")))
def test_every_past_schema_comes_up_to_date_with_all_its_rows(name: str, tmp_path: Path) -> None:
    """Each row is there afterwards with the values it had; the tables are those of a new store."""
    path = old_store(tmp_path / "lapwing.db", name)
    before = rows(path)
    prepare(path)
    prepare(tmp_path / "new.db")
    after = rows(path)
    for table, old in before.items():
        kept = [{key: row[key] for key in old[0]} for row in after[table]] if old else after[table]
        assert kept == old, table
    with closing(open_reader(path)) as one, closing(open_reader(tmp_path / "new.db")) as other:
        query = "SELECT name, sql FROM sqlite_master ORDER BY name"
        assert one.execute(query).fetchall() == other.execute(query).fetchall()


def test_a_new_store_needs_no_copy(tmp_path: Path) -> None:
    prepare(tmp_path / "lapwing.db")
    prepare(tmp_path / "lapwing.db")
    assert [f.name for f in tmp_path.iterdir()] == ["lapwing.db"]


def test_a_copy_is_made_before_an_upgrade(tmp_path: Path, grown: None) -> None:
    """Beside the store, under a name that says what it is; it holds what was there, what stood in the log too."""
    path = old_store(tmp_path / "lapwing.db")
    with closing(open_writer(path)) as writer:
        writer.execute("INSERT INTO logbook (t, author, text) VALUES (1, 'mate', 'in the log alone')")
        before = rows(path)
        prepare(path)
    (copy,) = copies(path)
    assert copy.name.startswith("lapwing-before-upgrade-20")
    assert copy.suffix == ".db"
    assert rows(copy) == before
    assert [row["metres"] for row in rows(path)["tide"]] == [2.0, 1.0]


def test_old_copies_are_bounded(tmp_path: Path, grown: None) -> None:
    """The newest stay; what a cut-off copy left goes."""
    path = old_store(tmp_path / "lapwing.db")
    for n in range(4):
        (tmp_path / f"lapwing-before-upgrade-2026-01-0{n + 1}-000000.db").write_bytes(b"")
    (tmp_path / "lapwing-before-upgrade-2026-01-05-000000.db.part").write_bytes(b"")
    prepare(path)
    kept = copies(path)
    assert len(kept) == KEPT_BEFORE_UPGRADE
    assert kept[0].name == "lapwing-before-upgrade-2026-01-04-000000.db"
    assert verified_rows(kept[1])["sample"] == 3


def test_no_upgrade_under_a_running_logger(tmp_path: Path, grown: None) -> None:
    """It would write into tables that changed beneath it: nothing is touched, and the message says what to do."""
    path = old_store(tmp_path / "lapwing.db")
    before = rows(path)
    refused = pytest.raises(StoreError, match=r"a logger records into it, .* change its tables first; stop that logger")
    with claim(path), refused:
        prepare(path)
    assert rows(path) == before
    assert copies(path) == []
    prepare(path)
    assert "tide" in rows(path)


def test_a_logger_does_not_hinder_whoever_has_nothing_to_change(tmp_path: Path) -> None:
    path = tmp_path / "lapwing.db"
    prepare(path)
    with claim(path):
        prepare(path)


def test_no_room_for_the_copy_is_said_before_anything_changes(
    tmp_path: Path, grown: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = old_store(tmp_path / "lapwing.db")
    usage = backup.shutil.disk_usage(tmp_path)
    monkeypatch.setattr(backup.shutil, "disk_usage", lambda _: usage._replace(free=1000))
    with pytest.raises(StoreError, match=r"too little room, \d+ MiB are needed and 0 MiB are free"):
        prepare(path)
    assert "tide" not in rows(path)


def test_an_upgrade_that_fails_leaves_everything_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Several migrations are one act: the first does not stay without the second."""
    grown = later()

    @grown()
    def broken(db: sqlite_utils.Database) -> None:
        db.execute("CREATE TABLE channel (x)")

    monkeypatch.setattr(schema, "migrations", grown)
    path = old_store(tmp_path / "lapwing.db")
    before = rows(path)
    with pytest.raises(StoreError, match="table channel already exists"):
        prepare(path)
    assert rows(path) == before


# -- power cuts -----------------------------------------------------------------------------------------------------

UPGRADE = """
import sys
from pathlib import Path
from logger import schema
from tests.logger.test_upgrade import later
schema.migrations = later()
print("ready", flush=True)
sys.stdin.readline()
schema.prepare(Path(sys.argv[1]))
print("done", flush=True)
"""


def _upgrade(path: Path, seconds: float | None) -> float:
    """Upgrade in a process, killed after so long; how long it took."""
    command = [sys.executable, "-P", "-c", UPGRADE, str(path)]
    root = str(Path(__file__).parents[2])
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env={"PYTHONPATH": root}
    ) as process:
        assert process.stdin
        assert process.stdout
        process.stdout.readline()
        process.stdin.write("\n")
        process.stdin.flush()
        began = time.monotonic()
        if seconds is None:
            assert process.stdout.readline() == "done\n"
            took = time.monotonic() - began
        else:
            took = seconds
            try:
                process.wait(seconds)
            except subprocess.TimeoutExpired:
                process.kill()
        process.communicate()
        return took


def kills_during_upgrades(folder: Path, kills: int, n: int = ROWS, seed: int = 4) -> int:
    """Kill so many upgrades at random moments; how many of them had not ended by themselves."""
    path = old_store(folder / "lapwing.db")
    with closing(open_writer(path)) as writer:
        writer.execute("BEGIN")
        writer.executemany("INSERT INTO sample VALUES (?, 1, 1.0)", ((t,) for t in range(n)))
        writer.execute("COMMIT")
    before = rows(path)
    spare = folder / "spare.db"
    backup.copy_store(path, spare)
    whole = _upgrade(spare, None)
    rng, cut = random.Random(seed), 0
    for k in range(kills):
        _upgrade(path, rng.uniform(0.0, 1.0) * whole if k else 0.0)
        now = rows(path)
        if "tide" in now:  # done before the kill: begin again from the copy that was made
            _equals_upgraded(now, before)
            for side in path.parent.glob(f"{path.name}-*"):
                side.unlink()
            path.write_bytes(copies(path)[-1].read_bytes())
        else:
            cut += 1
        assert rows(path) == before
        for copy in copies(path):
            if copy.suffix == ".db":
                assert verified_rows(copy)["sample"] == len(before["sample"])
    _upgrade(path, None)
    _equals_upgraded(rows(path), before)
    assert not list(folder.glob("*.part*"))
    assert len(copies(path)) <= KEPT_BEFORE_UPGRADE
    return cut


def _equals_upgraded(now: dict[str, list[dict[str, Any]]], before: dict[str, list[dict[str, Any]]]) -> None:
    assert now["sample"] == before["sample"]
    assert now["finding"] == before["finding"]
    assert sum(row["metres"] for row in now["tide"]) == len(before["sample"])


def test_kills_during_upgrades(tmp_path: Path) -> None:
    """Whenever the power goes, the store is the old one or the new one, and each copy beside it is whole."""
    assert kills_during_upgrades(tmp_path, KILLS) > 0
