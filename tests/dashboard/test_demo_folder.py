"""Where the demo may be played: a folder of its own, and never over somebody's files."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from dashboard.cli import main
from dashboard.commands.demo import MARKER, claimed
from logger.errors import UsageError


def test_a_folder_with_other_files_is_refused_and_stays_as_it_was(tmp_path: Path) -> None:
    """Exit 2, says what and what to do, touches nothing."""
    mine = tmp_path / "lapwing.db"
    mine.write_text("mine")
    done = CliRunner().invoke(main, ["demo", "--folder", str(tmp_path)])
    assert done.exit_code == 2
    assert "holds files that no demo made" in done.stderr
    assert "name a new or empty folder" in done.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["lapwing.db"]
    assert mine.read_text() == "mine"


def test_a_file_in_the_folders_place_is_refused(tmp_path: Path) -> None:
    """A file is no folder, nor can a folder lie below one."""
    (tmp_path / "story").write_text("")
    with pytest.raises(UsageError, match="that is a file"), claimed(tmp_path / "story"):
        pass
    with pytest.raises(UsageError, match="it cannot be used"), claimed(tmp_path / "story" / "below"):
        pass


def test_a_missing_folder_is_made_and_marked(tmp_path: Path) -> None:
    """Parents too; the marker is what lets the next demo use the folder again."""
    with claimed(tmp_path / "a" / "b"):
        pass
    assert (tmp_path / "a" / "b" / MARKER).is_file()


def test_an_earlier_demos_leavings_are_cleared_and_nothing_else(tmp_path: Path) -> None:
    """The store and the history of the last demo go; a note that somebody wrote beside them stays."""
    (tmp_path / MARKER).write_text("")
    for name in ("noonmark.toml", "history.csv", "truth.json", "lapwing.db", "lapwing.db-wal", "note.txt"):
        (tmp_path / name).write_text("old")
    (tmp_path / "lines").mkdir()
    (tmp_path / "lines" / "cabin").symlink_to("/dev/pts/99999")
    with claimed(tmp_path):
        assert sorted(p.name for p in tmp_path.iterdir()) == [MARKER, "note.txt"]


def test_two_demos_do_not_share_a_folder(tmp_path: Path) -> None:
    """The second one is told that the first still runs; when that has ended it may go on."""
    with claimed(tmp_path), pytest.raises(UsageError, match="a demo still runs in it"), claimed(tmp_path):
        pass
    with claimed(tmp_path):
        pass
