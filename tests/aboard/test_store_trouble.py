"""The store's disk fills, its file is damaged: the logger stays up and loses nothing that it need not lose."""

from __future__ import annotations

import resource
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from analysis.assess import assess
from analysis.results_reading import Results
from logger import settings_file
from logger.schema import prepare
from logger.store import open_reader

from .rig import Aboard, Device, device, heard_from_the_start, lean_logger, source, until

pytestmark = pytest.mark.terminal


@contextmanager
def small_disk(folder: Path, size: str = "1m") -> Iterator[Path]:
    """A real disk of that size; skips where none can be mounted."""
    disk = folder / "disk"
    disk.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(disk)], capture_output=True, text=True, check=False
    )
    if done.returncode:
        pytest.skip(f"a small disk cannot be mounted here ({done.stderr.strip()}); the limit on file size stands in")
    try:
        yield disk
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


def on_disk(folder: Path, cabin: Device, disk: Path) -> Aboard:
    """A vessel whose store lies on that disk."""
    aboard = Aboard(folder, source(cabin), flush=0.2)
    text = aboard.settings.read_text(encoding="utf-8").replace('"lapwing.db"', f'"{disk / "lapwing.db"}"')
    aboard.settings.write_text(text, encoding="utf-8")
    aboard.store = disk / "lapwing.db"
    prepare(aboard.store)
    return aboard


@pytest.fixture
def cabin(tmp_path: Path) -> Iterator[Device]:
    with device(tmp_path / "cabin-controller") as made:
        yield made


def say(made: Device, numbers: range) -> None:
    for n in numbers:
        until(lambda n=n: made.says(b"V=%d,I=1\n" % n), "room on the line")


def test_a_full_disk(tmp_path: Path, cabin: Device) -> None:
    """It stays up, says so once, keeps what comes, writes it all when there is room again, and notes the span."""
    with small_disk(tmp_path) as disk:
        aboard = on_disk(tmp_path, cabin, disk)
        with lean_logger(aboard) as process:
            heard_from_the_start(cabin)
            say(cabin, range(10))
            until(lambda: len(aboard.values()) == 10, "readings")
            _fill(disk / "other")
            number = 10
            while not any("cannot be written" in row for row in aboard.messages()):
                say(cabin, range(number, number + 50))
                number += 50
                until(lambda n=number: len(aboard.values()) >= n or _refused(aboard), "writing or refusal")
            say(cabin, range(number, number + 100))
            assert process.poll() is None
            (disk / "other").unlink()
            until(lambda: aboard.events("store restored"), "writing again")
            until(lambda: len(aboard.values()) == number + 100, "all of it")
            process.terminate()
            assert process.wait(30) == 0
        assert aboard.values() == list(range(number + 100))
        assert aboard.ask("PRAGMA integrity_check") == [("ok",)]
        assert len(aboard.events("full disk")) == 1
        assert aboard.events("lost readings") == []
        assert sum("store" in row and "recording" not in row for row in aboard.messages()) == 2


def test_a_disk_that_is_full_at_the_start(tmp_path: Path, cabin: Device) -> None:
    """It comes up all the same, says so once, and writes all that came since its start when there is room again."""
    with small_disk(tmp_path) as disk:
        aboard = on_disk(tmp_path, cabin, disk)
        _fill(disk / "other")
        with aboard.recording() as process:
            heard_from_the_start(cabin)
            say(cabin, range(50))
            until(lambda: any("readings are kept in memory" in row for row in aboard.messages()), "the message")
            assert process.poll() is None
            (disk / "other").unlink()
            until(lambda: aboard.events("store restored"), "writing")
            say(cabin, range(50, 60))
            until(lambda: len(aboard.values()) == 60, "all of it")
            ((started, first),) = aboard.ask("SELECT min(started), (SELECT min(t) FROM sample) FROM session")
            assert started <= first
            process.terminate()
            assert process.wait(30) == 0
        assert aboard.values() == list(range(60))
        assert aboard.ask("PRAGMA integrity_check") == [("ok",)]
        assert len(aboard.events("full disk")) + len(aboard.events("store trouble")) == 1
        assert sum("readings are kept in memory" in row for row in aboard.messages()) == 1


@pytest.mark.parametrize("spare_bytes", [0, 200_000])
def test_a_command_on_a_full_disk(tmp_path: Path, cabin: Device, spare_bytes: int) -> None:
    """Full at once, or in the middle of its work: what is wrong and what to do, in a sentence."""
    with small_disk(tmp_path, "6m") as disk:
        aboard = on_disk(tmp_path, cabin, disk)
        _add_array_and_days(aboard)
        _fill(disk / "other")
        with (disk / "other").open("r+b") as file:
            file.truncate((disk / "other").stat().st_size - spare_bytes)
        done = subprocess.run(
            [sys.executable, "-m", "dashboard", "assess", "--settings", str(aboard.settings)],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
    assert done.returncode == 1
    assert "make room there, then do this again" in done.stderr or "see that its disk has room" in done.stderr
    assert "Traceback" not in done.stderr


def _add_array_and_days(aboard: Aboard) -> None:
    """An array, and two weeks of its watts."""
    with aboard.settings.open("a", encoding="utf-8") as file:
        file.write(
            '[[array]]\nname = "cabin"\nmodules_in_series = 1\nstrings_in_parallel = 1\ntilt = 3\nazimuth = 180\n'
            'module = { power = 175 }\n[[source]]\nname = "log"\nkind = "csv"\npath = "log/*.csv"\n'
            'time = { field = 1, format = "epoch s" }\n[[source.channel]]\nfield = 2\nchannel = "array.cabin.power"\n'
        )
    rows = (f"{1_780_272_000 + n * 60},{n % 97}\n" for n in range(14 * 1440))
    (aboard.folder / "log.csv").write_text("".join(rows), encoding="utf-8")
    command = [sys.executable, "-m", "dashboard", "import", "--settings", str(aboard.settings)]
    subprocess.run([*command, str(aboard.folder / "log.csv")], check=True, capture_output=True)


def test_a_disk_that_is_not_mounted_at_the_start(tmp_path: Path, cabin: Device) -> None:
    """No fresh store hides in its folder: what comes is kept in memory, and written once the disk is there again."""
    with small_disk(tmp_path) as disk:
        aboard = on_disk(tmp_path, cabin, disk)
        with aboard.recording() as process:
            heard_from_the_start(cabin)
            say(cabin, range(10))
            until(lambda: len(aboard.values()) == 10, "readings")
            process.terminate()
            assert process.wait(30) == 0
        aside = tmp_path / "aside"
        aside.mkdir()
        subprocess.run(["mount", "--move", str(disk), str(aside)], check=True)
        try:
            with aboard.recording() as process:
                heard_from_the_start(cabin)
                say(cabin, range(10, 60))
                until(lambda: any("none is mounted there now; mount it" in row for row in aboard.messages()), "word")
                until(lambda: any("readings are kept in memory" in row for row in aboard.messages()), "the message")
                assert list(disk.iterdir()) == []
                subprocess.run(["mount", "--move", str(aside), str(disk)], check=True)
                until(lambda: len(aboard.values()) == 60, "all of it")
                until(lambda: aboard.events("store restored"), "the end of it")
                process.terminate()
                assert process.wait(30) == 0
        finally:
            subprocess.run(["umount", "-l", str(aside)], capture_output=True, check=False)
        assert aboard.values() == list(range(60))


def test_a_place_where_no_store_can_be_is_a_mistake(tmp_path: Path, cabin: Device) -> None:
    """A path through a file: nothing will ever come of it, and the person at the keyboard hears so."""
    aboard = Aboard(tmp_path, source(cabin))
    text = aboard.settings.read_text(encoding="utf-8").replace('"lapwing.db"', '"noonmark.toml/lapwing.db"')
    aboard.settings.write_text(text, encoding="utf-8")
    with aboard.recording() as process:
        assert process.wait(60) == 1
    assert any("cannot be opened" in row for row in aboard.messages())


def _refused(aboard: Aboard) -> bool:
    return any("cannot be written" in row for row in aboard.messages())


def _fill(path: Path) -> None:
    with path.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            return


def test_a_limit_on_the_size_of_files(tmp_path: Path, cabin: Device) -> None:
    """The kernel refuses to let the log grow: the same."""
    aboard = Aboard(tmp_path, source(cabin), flush=0.2)
    prepare(aboard.store)
    with lean_logger(aboard) as process:
        heard_from_the_start(cabin)
        say(cabin, range(10))
        until(lambda: len(aboard.values()) == 10, "readings")
        _, hard = resource.prlimit(process.pid, resource.RLIMIT_FSIZE)
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (4096, hard))
        say(cabin, range(10, 60))
        until(lambda: _refused(aboard), "refusal")
        say(cabin, range(60, 100))
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (hard, hard))
        until(lambda: aboard.events("store restored"), "writing again")
        until(lambda: len(aboard.values()) == 100, "all of it")
        process.terminate()
        assert process.wait(30) == 0
    assert aboard.values() == list(range(100))
    assert aboard.ask("PRAGMA integrity_check") == [("ok",)]


def test_a_damaged_store_at_the_start(tmp_path: Path, cabin: Device) -> None:
    """Recording into a fresh one soon; the old one lies aside and gives back what reads; `assess` tells of it."""
    aboard = Aboard(tmp_path, source(cabin), flush=0.2)
    prepare(aboard.store)
    with lean_logger(aboard) as process:
        heard_from_the_start(cabin)
        say(cabin, range(200))
        until(lambda: len(aboard.values()) == 200, "readings")
        process.terminate()
        assert process.wait(30) == 0
    with aboard.store.open("r+b") as file:
        file.seek(2 * 2048)
        file.write(bytes(2048))
    with aboard.recording() as process:
        heard_from_the_start(cabin)
        say(cabin, range(200, 210))
        until(lambda: {200.0, 209.0} <= set(aboard.values()), "readings in the fresh store")
        until(lambda: aboard.events("salvage"), "salvage")
        process.terminate()
        assert process.wait(30) == 0
    assert len(aboard.events("damaged file")) == 1
    assert any("it lies aside as lapwing.db.damaged-" in row for row in aboard.messages())
    assert aboard.ask("PRAGMA integrity_check") == [("ok",)]
    assess(settings_file.read(aboard.settings))
    with closing(open_reader(aboard.store)) as connection:
        (finding,) = Results(connection).findings()
    assert (finding.rule, finding.subject, finding.state) == ("record-trouble", "store", "unacknowledged")
