"""A backup is whole, verified and consistent, or it is not taken for one."""

from __future__ import annotations

import datetime as dt
import random
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from logger import backup
from logger.backup import CONTENTS, FAT_MOST, PART, back_up, check, copy_store, verified_rows
from logger.errors import StoreError, StoreMissing
from logger.schema import prepare
from logger.store import open_reader, open_writer, transaction

MADE = dt.datetime(2026, 6, 14, 8, 0, tzinfo=dt.UTC)
ROOT = Path(__file__).parents[2]
KILLS = 6


class Vessel:
    """A store with an archive and a settings file, and a stick."""

    def __init__(self, folder: Path, samples: int = 3_000) -> None:
        self.folder, self.stick = folder / "aboard", folder / "stick"
        self.stick.mkdir(parents=True)
        self.store, self.settings = self.folder / "lapwing.db", self.folder / "noonmark.toml"
        prepare(self.store)
        with closing(open_writer(self.store)) as connection, transaction(connection):
            connection.executemany("INSERT INTO sample VALUES (?, 1, ?)", ((t, t / 7) for t in range(samples)))
        self.settings.write_text('[site]\nname = "Lapwing"\n', encoding="utf-8")
        (self.folder / "archive" / "2026").mkdir(parents=True)
        (self.folder / "archive" / "2026" / "2026-06-01.parquet").write_bytes(random.Random(1).randbytes(70_000))

    def back_up(self, made: dt.datetime = MADE) -> Path:
        return back_up(self.store, self.settings, self.stick, made)[0]


@pytest.fixture
def vessel(tmp_path: Path) -> Vessel:
    return Vessel(tmp_path)


def samples(path: Path) -> list[tuple[int, int, float]]:
    with closing(open_reader(path)) as reader:
        return reader.execute("SELECT t, channel, value FROM sample ORDER BY t").fetchall()


def test_a_backup_holds_everything(vessel: Vessel) -> None:
    """Store, archive and settings, byte for byte or row for row, under the name of its moment."""
    made = vessel.back_up()
    assert made == vessel.stick / "lapwing-2026-06-14-080000"
    assert sorted(str(f.relative_to(made)) for f in made.rglob("*") if f.is_file()) == [
        "archive/2026/2026-06-01.parquet",
        CONTENTS,
        "lapwing.db",
        "noonmark.toml",
    ]
    assert samples(made / "lapwing.db") == samples(vessel.store)
    for name in ("archive/2026/2026-06-01.parquet", "noonmark.toml"):
        assert (made / name).read_bytes() == (vessel.folder / name).read_bytes()
    contents = check(made)
    assert (contents.rows["sample"], contents.made) == (3_000, "2026-06-14T08:00:00Z")
    assert [f.name for f in vessel.stick.iterdir()] == [made.name]


def test_what_stands_only_in_the_log_is_copied_too(vessel: Vessel) -> None:
    with closing(open_writer(vessel.store)) as writer:
        writer.execute("INSERT INTO logbook (t, author, text) VALUES (1, 'mate', 'just now')")
        made = vessel.back_up()
    with closing(open_reader(made / "lapwing.db")) as reader:
        assert reader.execute("SELECT text FROM logbook").fetchall() == [("just now",)]


@contextmanager
def writing(path: Path) -> Iterator[list[float]]:
    """Pairs of rows, one commit each, as fast as it goes; how long each commit took."""
    end, took = threading.Event(), list[float]()

    def write() -> None:
        with closing(open_writer(path)) as connection:
            n = 0
            while not end.is_set():
                began = time.monotonic()
                with transaction(connection):
                    connection.executemany("INSERT INTO mark VALUES (?, ?, 'jump')", ((n, 1), (n, 2)))
                took.append(time.monotonic() - began)
                n += 1

    thread = threading.Thread(target=write)
    thread.start()
    try:
        yield took
    finally:
        end.set()
        thread.join()


def test_a_backup_is_one_moment_of_a_store_that_is_written(tmp_path: Path) -> None:
    """Many steps while many commits are made: no commit is copied by half, none waits for the end, all stay."""
    vessel = Vessel(tmp_path, 400_000)
    seen: list[int] = []
    with writing(vessel.store) as took:
        copy_store(vessel.store, vessel.stick / "x.db", lambda done, size: seen.append(len(took)))
        written = len(took)
    assert len(seen) > 1
    assert written > 0
    with closing(open_reader(vessel.stick / "x.db")) as copy, closing(open_reader(vessel.store)) as store:
        assert copy.execute("SELECT count(*) FROM mark GROUP BY t HAVING count(*) <> 2").fetchall() == []
        assert copy.execute("SELECT count(*) FROM sample").fetchone() == (400_000,)
        assert store.execute("SELECT count(*) FROM mark").fetchone() == (2 * len(took),)


# -- before it starts ---------------------------------------------------------------------------------------------


def test_a_stick_that_is_not_there_is_said(vessel: Vessel) -> None:
    """The folder is not made: where nothing is mounted the copy would lie on the machine's own disk."""
    with pytest.raises(StoreError, match=r"there is no such folder; is the stick plugged in and mounted\?"):
        back_up(vessel.store, vessel.settings, vessel.folder / "media", MADE)
    assert not (vessel.folder / "media").exists()


def test_too_little_room_is_known_before(vessel: Vessel, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = shutil.disk_usage(vessel.stick)
    monkeypatch.setattr(backup.shutil, "disk_usage", lambda _: usage._replace(free=(4 << 20) + 150_000))
    with pytest.raises(StoreError, match=r"too little room, 4 MiB are needed and 4 MiB are free; take away"):
        vessel.back_up()
    assert list(vessel.stick.iterdir()) == []


@pytest.mark.parametrize(("kind", "refused"), [("vfat", True), ("exfat", False), ("ext4", False)])
def test_fat_holds_no_file_over_4_gib(
    vessel: Vessel, kind: str, refused: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """FAT keeps a file's length in 32 bits (Microsoft FAT specification); exFAT in 64."""
    mounts = tmp_path / "mounts"
    mounts.write_text(f"/dev/root / ext4 rw 0 0\n/dev/sda1 {vessel.stick} {kind} rw 0 0\n", encoding="utf-8")
    monkeypatch.setattr(backup, "store_size", lambda _: FAT_MOST + 1)
    wanted = (
        "formatted as FAT, where a file ends at 4 GiB, and lapwing.db has 4.0 GiB" if refused else "too little room"
    )
    usage = shutil.disk_usage(vessel.stick)
    monkeypatch.setattr(backup.shutil, "disk_usage", lambda _: usage._replace(free=1 << 30))
    with pytest.raises(StoreError, match=wanted):
        back_up(vessel.store, vessel.settings, vessel.stick, MADE, mounts=mounts)
    assert list(vessel.stick.iterdir()) == []


def test_no_backup_into_what_is_copied(vessel: Vessel) -> None:
    with pytest.raises(StoreError, match="lies inside what is to be copied"):
        back_up(vessel.store, vessel.settings, vessel.folder / "archive", MADE)


def test_no_store_no_backup(vessel: Vessel) -> None:
    vessel.store.unlink()
    with pytest.raises(StoreMissing, match="there is none yet"):
        vessel.back_up()


def test_two_backups_in_one_second_do_not_mix(vessel: Vessel) -> None:
    vessel.back_up()
    with pytest.raises(StoreError, match="there is a backup of this very second"):
        vessel.back_up()


# -- cut off --------------------------------------------------------------------------------------------------------


def test_a_stick_that_fails_half_way_is_said(vessel: Vessel, monkeypatch: pytest.MonkeyPatch) -> None:
    """The message names what is not whole; the next backup clears it away."""
    real = backup.os.fsync

    def fail(descriptor: int) -> None:
        monkeypatch.setattr(backup.os, "fsync", real)
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(backup.os, "fsync", fail)
    with pytest.raises(
        StoreError, match=r"cut off \(Input/output error\); lapwing-2026-06-14-080000.part there is not"
    ):
        vessel.back_up()
    assert [f.name for f in vessel.stick.iterdir()] == [f"lapwing-2026-06-14-080000{PART}"]
    with pytest.raises(StoreError, match="no whole backup"):
        check(vessel.stick / f"lapwing-2026-06-14-080000{PART}")
    made = vessel.back_up(MADE + dt.timedelta(minutes=1))
    assert list(vessel.stick.iterdir()) == [made]


def test_what_the_stick_changed_is_found(vessel: Vessel) -> None:
    """One byte of any file."""
    made = vessel.back_up()
    spoilt = made / "archive" / "2026" / "2026-06-01.parquet"
    data = bytearray(spoilt.read_bytes())
    data[500] ^= 1
    spoilt.write_bytes(data)
    with pytest.raises(StoreError, match=r"archive/2026/2026-06-01\.parquet changed since it was made"):
        check(made)


def test_damage_in_the_store_is_found(vessel: Vessel) -> None:
    """A page overwritten with zeros."""
    copy_store(vessel.store, vessel.stick / "x.db")
    with (vessel.stick / "x.db").open("r+b") as file:
        file.seek(-8192, 2)
        file.write(bytes(4096))
    with pytest.raises(sqlite3.DatabaseError):
        verified_rows(vessel.stick / "x.db")


BACK_UP = """
import datetime as dt, sys
from pathlib import Path
from logger.backup import back_up
store, settings, stick = map(Path, sys.argv[1:4])
print("ready", flush=True)
sys.stdin.readline()
back_up(store, settings, stick, dt.datetime.fromisoformat(sys.argv[4]))
print("done", flush=True)
"""


def _run(vessel: Vessel, n: int, seconds: float | None) -> float:
    made = (MADE + dt.timedelta(minutes=n)).isoformat()
    command = [sys.executable, "-P", "-c", BACK_UP, *map(str, (vessel.store, vessel.settings, vessel.stick, made))]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env={"PYTHONPATH": str(ROOT)}
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


def kills_during_backups(folder: Path, kills: int, n: int = 200_000, seed: int = 5) -> int:
    """Kill so many backups at random moments; how many of them had not ended by themselves."""
    vessel = Vessel(folder, n)
    before = samples(vessel.store)
    whole = _run(vessel, 0, None)
    rng, cut = random.Random(seed), 0
    for k in range(kills):
        done = {f for f in vessel.stick.iterdir() if not f.name.endswith(PART)}
        _run(vessel, k + 1, rng.uniform(0.0, 1.0) * whole if k else 0.0)
        named = {f for f in vessel.stick.iterdir() if not f.name.endswith(PART)}
        cut += named == done
        for copy in named - done:
            assert check(copy).rows["sample"] == n
        assert samples(vessel.store) == before
    _run(vessel, kills + 1, None)
    assert not list(vessel.stick.glob(f"*{PART}"))
    for copy in vessel.stick.iterdir():
        assert check(copy).rows["sample"] == n
    return cut


def test_kills_during_backups(tmp_path: Path) -> None:
    """Whatever bears a backup's name is whole; the record is as it was; the next backup clears the rest away."""
    assert kills_during_backups(tmp_path, KILLS) > 0
