"""Owns the `sealed` table: which days of samples and months of minutes lie in files, no longer in the store.

Standard library only: the lean logger uses it, and never opens such a file.
"""

from __future__ import annotations

import fcntl
import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from logger.errors import ArchiveBusy

DAY_MS = 86_400_000
Kind = Literal["sample", "minute"]
FOLDER = "archive"


@contextmanager
def at_work(store: Path, wait: bool = False) -> Iterator[None]:
    """One at a time moves rows between store and archive; a second one waits, or leaves with a message."""
    with store.with_name(store.name + ".archive").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
        except OSError:
            raise ArchiveBusy(f"store {store}: its archive is at work already; wait for it and ask again") from None
        yield


@dataclass(frozen=True, slots=True)
class Sealed:
    """A stretch whose rows lie in a file.

    Attributes
    ----------
    kind : str
        ``sample`` or ``minute``: the table whose rows these are.
    start, stop : int
        The stretch, UTC [ms].
    file : str
        Name of the file in the archive's folder.
    n : int
        Rows in it.
    first, last : int
        Times of the first and the last of them, UTC [ms].
    """

    kind: Kind
    start: int
    stop: int
    file: str
    n: int
    first: int
    last: int


_COLUMNS = "kind, start, stop, file, n, first, last"


def archive_folder(connection: sqlite3.Connection) -> Path:
    """The folder of the sealed files: ``archive`` beside the store."""
    (name,) = connection.execute("SELECT file FROM pragma_database_list WHERE name = 'main'").fetchone()
    return Path(name).parent / FOLDER


def unknown_files(connection: sqlite3.Connection) -> list[Path]:
    """Files of the archive that bear this store's name and that it does not know, in the order of time."""
    (store,) = connection.execute("SELECT file FROM pragma_database_list WHERE name = 'main'").fetchone()
    known = {file for (file,) in connection.execute("SELECT file FROM sealed")}
    ours = re.compile(rf"{re.escape(Path(store).stem)}-(minutes-\d{{4}}-\d\d|\d{{4}}-\d\d-\d\d)\.parquet")
    folder = archive_folder(connection)
    names = [path.name for path in folder.iterdir()] if folder.is_dir() else []
    return [folder / name for name in sorted(names) if name not in known and ours.fullmatch(name)]


def between(connection: sqlite3.Connection, kind: Kind, start: int, stop: int) -> list[Sealed]:
    """What is sealed of a table between two moments, in order; reopened stretches are not."""
    rows = connection.execute(
        f"SELECT {_COLUMNS} FROM sealed WHERE kind = ? AND start < ? AND stop > ? AND reopened = 0 ORDER BY start",
        (kind, stop, start),
    )
    return [Sealed(*row) for row in rows]


def everything(connection: sqlite3.Connection) -> list[Sealed]:
    """All that is sealed, in the order of time; reopened stretches are not."""
    rows = connection.execute(f"SELECT {_COLUMNS} FROM sealed WHERE reopened = 0 ORDER BY start, kind")
    return [Sealed(*row) for row in rows]


def missing(connection: sqlite3.Connection) -> list[str]:
    """Names of sealed files that do not lie where they should, in the order of time."""
    folder = archive_folder(connection)
    return [one.file for one in everything(connection) if not (folder / one.file).is_file()]


def reopened(connection: sqlite3.Connection, start: int) -> Sealed | None:
    """The file of a day that was brought back into the store since: what it held when it was sealed."""
    row = connection.execute(
        f"SELECT {_COLUMNS} FROM sealed WHERE kind = 'sample' AND start = ? AND reopened = 1", (start,)
    ).fetchone()
    if row is None or not (archive_folder(connection) / row[3]).exists():
        return None
    return Sealed(*row)


def is_sealed(connection: sqlite3.Connection, kind: Kind, start: int) -> bool:
    """Whether the stretch that begins there is sealed, and not reopened."""
    row = connection.execute(
        "SELECT 1 FROM sealed WHERE kind = ? AND start = ? AND reopened = 0", (kind, start)
    ).fetchone()
    return row is not None


def with_rows_beside(connection: sqlite3.Connection) -> list[Sealed]:
    """Sealed days of which the store holds samples too: late ones, or means that reach beyond their day."""
    found: list[Sealed] = []
    at = 0
    while True:
        (t,) = connection.execute("SELECT min(t) FROM sample WHERE t >= ?", (at,)).fetchone()
        if t is None:
            return found
        at = (t // DAY_MS + 1) * DAY_MS
        found += between(connection, "sample", at - DAY_MS, at)


def open_parts(connection: sqlite3.Connection, start: int, stop: int) -> list[tuple[int, int]]:
    """The parts of a stretch whose samples all lie in the store: all of it but its sealed days, UTC [ms]."""
    parts, begin = [], start
    for day in between(connection, "sample", start, stop):
        if day.start > begin:
            parts.append((begin, day.start))
        begin = max(begin, day.stop)
    if begin < stop:
        parts.append((begin, stop))
    return parts


def ends(connection: sqlite3.Connection, kind: Kind) -> tuple[int, int] | None:
    """Times of the first and the last row of a table, in the store or sealed, UTC [ms]; None where there is none."""
    # Asked apart, each is one look at an end of the key; together they would read the whole table.
    bounds = [connection.execute(f"SELECT {end}(t) FROM {kind}").fetchone()[0] for end in ("min", "max")]
    bounds += connection.execute("SELECT min(first), max(last) FROM sealed WHERE kind = ?", (kind,)).fetchone()
    known = [t for t in bounds if t is not None]
    return (min(known), max(known)) if known else None


@contextmanager
def one_moment(connection: sqlite3.Connection) -> Iterator[None]:
    """Several looks at the store as it stood at one moment, so that a day sealed meanwhile is not missed."""
    if connection.in_transaction:
        yield
        return
    connection.execute("BEGIN")
    try:
        yield
    finally:
        connection.execute("COMMIT")
