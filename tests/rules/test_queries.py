"""The questions that DEVELOPERS puts to a store are answered by plain shells."""

from __future__ import annotations

import re
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from logger.store import open_writer
from tests.dashboard import story
from tests.logger.archives import seal
from tests.rules.docs import ROOT

QUERIES = re.findall(r"```sql\n(.*?)```", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"), re.DOTALL)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fortnight with results, a hole of half an hour, and some days sealed."""
    told = story.write(tmp_path_factory.mktemp("queries"))
    with closing(open_writer(told.store)) as connection:
        (last,) = connection.execute("SELECT max(t) FROM sample").fetchone()
        connection.execute("DELETE FROM minute WHERE t BETWEEN ? AND ?", (last - 7_200_000, last - 5_400_000))
        seal(connection, told.store, last, hot_days=7)
    return told.store


def test_there_are_five() -> None:
    """Each is one statement under a question."""
    assert len(QUERIES) == 5
    assert all(query.startswith("-- ") and query.count(";") == 1 for query in QUERIES)


@pytest.mark.parametrize("query", QUERIES)
def test_each_is_answered(store: Path, query: str) -> None:
    """Some rows, without an empty cell, from a read-only connection; sqlite-utils prints as many."""
    with closing(sqlite3.connect(f"{store.as_uri()}?mode=ro", uri=True)) as connection:
        rows = connection.execute(query).fetchall()
    assert rows
    assert all(cell is not None for row in rows for cell in row)
    # A shell takes what begins with a dash for an option.
    statement = query.partition("\n")[2]
    shells = [[sys.executable, "-m", "sqlite_utils", "query", str(store), statement, "--csv", "--no-headers"]]
    if found := shutil.which("sqlite3"):
        shells.append([found, "-readonly", str(store), statement])
    for command in shells:
        told = subprocess.run(command, capture_output=True, text=True, check=True).stdout
        assert len(told.splitlines()) == len(rows), command[0]
