"""Following growing files: half lines, restarts, truncated and replaced files, faults said once."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.decoders.csv_table import CsvTable
from logger.plan import SourcePlan
from logger.sources.csv_file import CsvFollower, FileFault, positions
from logger.store import Channels, transaction
from tests.logger.histories import AMPS, VOLTS, history, store, time

NOW = 1_800_000_000_000
HEAD = b"time,v,i\n"


def row(k: int) -> bytes:
    return f"2024-06-01T12:{k // 60:02}:{k % 60:02}Z,{13 + k / 1000},4\n".encode()


class Vessel:
    """A store, a folder of files and a follower that can be restarted."""

    def __init__(self, connection: sqlite3.Connection, folder: Path, **more: object) -> None:
        self.connection, self.folder = connection, folder
        self.plan: SourcePlan = history(time(**more), VOLTS, AMPS, path=str(folder / "*.csv"))
        self.restart()

    def restart(self) -> None:
        self.channels = Channels(self.connection)
        known = positions(self.connection, self.plan.name)
        self.follower = CsvFollower(self.plan, CsvTable, known, lambda: NOW)

    def poll(self) -> list[str]:
        """Poll until there is nothing more, write all, and give the faults."""
        faults = []
        while True:
            found = self.follower.poll()
            for item in found:
                with transaction(self.connection):
                    assert item.write(self.connection, self.channels) == []
                if isinstance(item, FileFault):
                    faults.append(item.text)
            if not self.follower.behind:
                return faults

    def volts(self) -> list[float]:
        query = "SELECT value FROM sample JOIN channel ON id = channel WHERE name = 'bank.house.voltage' ORDER BY t"
        return [value for (value,) in self.connection.execute(query)]


@pytest.fixture
def vessel(tmp_path: Path) -> Iterator[Vessel]:
    with store(tmp_path / "x.db") as connection:
        yield Vessel(connection, tmp_path)


def test_only_what_is_whole_comes_in_and_only_once(vessel: Vessel) -> None:
    """The open line waits until it ends, and what was read is not read again."""
    file = vessel.folder / "a.csv"
    file.write_bytes(HEAD + row(0) + b"2024-06-01T12:00:01Z,13.1,4")
    assert vessel.poll() == []
    assert vessel.volts() == [13.0]
    assert vessel.follower.poll() == []
    with file.open("ab") as more:
        more.write(b".4\n" + row(2))
    vessel.poll()
    assert vessel.volts() == [13.0, 13.1, 13.002]
    assert vessel.connection.execute("SELECT count(*) FROM reject").fetchone() == (0,)


def test_a_restart_goes_on_where_the_store_says(vessel: Vessel) -> None:
    """Position and rows are committed together: a new process reads on from there, and not from the start."""
    file = vessel.folder / "a.csv"
    file.write_bytes(HEAD + row(0) + row(1) + b"2024-06-01T12:00:02Z,1")
    vessel.poll()
    with file.open("ab") as more:
        more.write(b"3.5,4\n")
    vessel.restart()
    (found,) = vessel.follower.poll()
    assert found.size == 2
    vessel.restart()
    vessel.poll()
    assert vessel.volts() == [13.0, 13.001, 13.5]
    vessel.restart()
    assert vessel.follower.poll() == []


def test_what_was_not_written_is_read_again(vessel: Vessel) -> None:
    """Rows that were handed on but never committed come again after a restart."""
    (vessel.folder / "a.csv").write_bytes(HEAD + row(0))
    assert len(vessel.follower.poll()) == 1
    vessel.restart()
    vessel.poll()
    assert vessel.volts() == [13.0]


@pytest.mark.parametrize("restarted", [False, True])
def test_truncated_and_replaced_files_are_read_anew(vessel: Vessel, restarted: bool) -> None:
    """A file that was cut, or another under the same name, is read from its start, longer or shorter."""
    file = vessel.folder / "a.csv"
    file.write_bytes(HEAD + row(0) + row(1) + row(2))
    vessel.poll()
    for content in (HEAD + row(10), HEAD + b"".join(row(k) for k in range(20, 29))):
        other = vessel.folder / "new"
        other.write_bytes(content)
        other.replace(file)
        if restarted:
            vessel.restart()
        vessel.poll()
    assert len(vessel.volts()) == 3 + 1 + 9
    file.write_bytes(HEAD)
    vessel.poll()
    file.write_bytes(HEAD + row(40))
    vessel.poll()
    assert len(vessel.volts()) == 14


def test_a_copied_file_that_has_grown_is_read_on(vessel: Vessel) -> None:
    """A file that is copied anew and longer each time keeps its position, for its bytes are the same."""
    file = vessel.folder / "a.csv"
    file.write_bytes(HEAD + row(0) + row(1))
    vessel.poll()
    (vessel.folder / "new").write_bytes(HEAD + row(0) + row(1) + row(2))
    (vessel.folder / "new").replace(file)
    (found,) = vessel.follower.poll()
    assert found.size == 2


def test_new_files_of_the_glob_come_in_and_gone_ones_do_not_matter(vessel: Vessel) -> None:
    """Each file of the glob is followed by itself."""
    vessel.poll()
    (vessel.folder / "a.csv").write_bytes(HEAD + row(0))
    vessel.poll()
    (vessel.folder / "b.csv").write_bytes(HEAD + row(1))
    (vessel.folder / "a.csv").unlink()
    vessel.poll()
    assert vessel.volts() == [13.0, 13.001]


def test_a_fault_is_said_once_and_the_other_files_go_on(vessel: Vessel) -> None:
    """A file without the columns is one event, not one a poll; when it is mended its rows come in."""
    (vessel.folder / "a.csv").write_bytes(b"zeit,v,i\n" + row(0))
    (vessel.folder / "b.csv").write_bytes(HEAD + row(1))
    (fault,) = vessel.poll()
    assert "has no column 'time'" in fault
    assert vessel.poll() == []
    assert vessel.volts() == [13.001]
    assert vessel.connection.execute("SELECT kind, source FROM event").fetchall() == [("damaged file", "history")]
    (vessel.folder / "a.csv").write_bytes(HEAD + row(0) + row(3))
    assert vessel.poll() == []
    assert vessel.volts() == [13.0, 13.001, 13.003]


def test_dates_of_unknown_order_are_a_fault_until_they_settle(vessel: Vessel) -> None:
    """Rows whose date could be either order wait, the fault is said, and nothing is guessed."""
    file = vessel.folder / "a.csv"
    file.write_bytes(HEAD + b"05/06/2024 12:00,13.5,4\n")
    (fault,) = vessel.poll()
    assert "may be day-first or month-first" in fault
    assert vessel.volts() == []
    with file.open("ab") as more:
        more.write(b"13/06/2024 12:00,13.6,4\n")
    assert vessel.poll() == []
    assert vessel.volts() == [13.5, 13.6]


def test_much_at_once_is_handed_on_in_bounded_pieces(vessel: Vessel) -> None:
    """A long file does not come as one block: a poll hands on a bounded part and says that it is behind."""
    (vessel.folder / "a.csv").write_bytes(HEAD + b"".join(row(k) for k in range(3600)) * 20)
    found = vessel.follower.poll()
    assert vessel.follower.behind
    assert sum(item.size for item in found) < 100_000
    vessel.restart()
    vessel.poll()
    assert len(vessel.volts()) == 3600


@settings(max_examples=40)
@given(
    lengths=st.lists(st.integers(0, 90), max_size=12),
    restarts=st.sets(st.integers(0, 12)),
    zone=st.just("Europe/Berlin"),
)
def test_growth_and_restarts_lose_and_double_nothing(
    tmp_path_factory: pytest.TempPathFactory, lengths: list[int], restarts: set[int], zone: str
) -> None:
    """However the file grows and whenever the process restarts, the store ends as after one import."""
    night = [f"2024-10-27 {clock},{13 + k / 10},4\n" for k, clock in enumerate(
        ["01:45", "02:00", "02:15", "02:30", "02:45", "02:00", "02:15", "02:30", "02:45", "03:00", "03:15"]
    )]  # fmt: skip
    data = HEAD + "".join(night).encode()
    folder = tmp_path_factory.mktemp("grow")
    with store(folder / "x.db") as connection:
        vessel = Vessel(connection, folder, zone=zone)
        file, at = folder / "a.csv", 0
        for turn, length in enumerate([*lengths, len(data)]):
            with file.open("ab") as more:
                more.write(data[at : at + length])
            at += length
            if turn in restarts:
                vessel.restart()
            vessel.poll()
        assert vessel.volts() == [13 + k / 10 for k in range(len(night))]
        assert connection.execute("SELECT count(*) FROM reject").fetchone() == (0,)
        assert connection.execute("SELECT count(*) FROM mark").fetchone() == (0,)
