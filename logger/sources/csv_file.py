"""Owns following growing CSV files: what was added since the last look, remembered across restarts."""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from glob import glob
from pathlib import Path
from typing import BinaryIO, Protocol

from logger import history
from logger.errors import ImportFault
from logger.plan import SourcePlan
from logger.readings import Block
from logger.store import Channels

_PIECE_BYTES = 1 << 16
_MOST_PIECES = 16
_OPENING_BYTES = 1024
_BEFORE_BYTES = 64


class Table(Protocol):
    """Decoder of one file, as far as its follower needs to know it."""

    def feed(self, data: bytes) -> Block: ...

    @property
    def consumed(self) -> int: ...

    @property
    def state(self) -> str: ...

    @property
    def resumable(self) -> bool: ...

    @property
    def doubt(self) -> ImportFault | None: ...


MakeTable = Callable[[SourcePlan, str, str | None], Table]
"""From plan, name of the file and an earlier state to a decoder."""


@dataclass(frozen=True, slots=True)
class Position:
    """How far a file was read.

    Attributes
    ----------
    position : int
        Bytes from the start that are in the store.
    opening, before : str
        Digests of the first bytes, and of those before `position`.
    state : str
        Of the decoder there.
    """

    position: int
    opening: str
    before: str
    state: str


@dataclass(frozen=True, slots=True)
class FileBlock:
    """Rows of one file for the writer, with the position that they reach: both are kept together or not at all.

    Attributes
    ----------
    plan : SourcePlan
    path : str
    block : Block
    position : Position or None
        None as long as the file could not be gone on with from here.
    now : callable
        Wall time at the moment of writing [ms UTC].
    """

    plan: SourcePlan
    path: str
    block: Block
    position: Position | None
    now: Callable[[], int]

    @property
    def size(self) -> int:
        """Samples in memory."""
        return len(self.block.times) * len(self.block.columns)

    @property
    def can_wait(self) -> bool:
        """A file keeps what is not yet read of it."""
        return True

    def write(self, connection: sqlite3.Connection, channels: Channels) -> list[tuple[int, int]]:
        """Write it inside the caller's transaction; rollups and stale hours are done, so none remain to do."""
        kept = history.keep_within(connection, channels, self.plan, self.block, self.now())
        connection.execute(
            "INSERT INTO source (name, state, last_seen, readings, rejects) VALUES (?, 'reading', ?, ?, ?) "
            "ON CONFLICT (name) DO UPDATE SET state = excluded.state, "
            "last_seen = coalesce(excluded.last_seen, last_seen), readings = readings + excluded.readings, "
            "rejects = rejects + excluded.rejects",
            (self.plan.name, max(self.block.times, default=None), kept.new, len(self.block.rejects)),
        )
        if self.position:
            at = self.position
            connection.execute(
                "INSERT OR REPLACE INTO followed (path, source, position, opening, before, state) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (self.path, self.plan.name, at.position, at.opening, at.before, at.state),
            )
        return []


@dataclass(frozen=True, slots=True)
class FileFault:
    """A file that cannot be read as the mapping says, for the writer to note as an event."""

    plan: SourcePlan
    text: str
    now: Callable[[], int]

    @property
    def size(self) -> int:
        return 0

    @property
    def can_wait(self) -> bool:
        return True

    def write(self, connection: sqlite3.Connection, channels: Channels) -> list[tuple[int, int]]:
        """Note the event inside the caller's transaction."""
        connection.execute(
            "INSERT INTO event (t, session, source, kind, text) "
            "VALUES (?, (SELECT max(id) FROM session), ?, 'damaged file', ?)",
            (self.now(), self.plan.name, self.text),
        )
        return []


def positions(connection: sqlite3.Connection, source: str) -> dict[str, Position]:
    """How far each file of a source was read, by path."""
    rows = connection.execute("SELECT path, position, opening, before, state FROM followed WHERE source = ?", (source,))
    return {path: Position(*row) for path, *row in rows}


@dataclass(slots=True)
class _Open:
    """A file under way."""

    table: Table
    read: int
    seen: tuple[int, int, int] = (0, 0, 0)  # inode, size, time of change when it was last read to its end
    broken: bool = False  # it could not be read as the mapping says; begun anew when it changes

    @property
    def inode(self) -> int:
        return self.seen[0]


class CsvFollower:
    """The files of one source, looked at again and again.

    Parameters
    ----------
    plan : SourcePlan
        Of kind ``csv``; its path may be a glob.
    make_table : callable
        Makes the decoder.
    known : dict of str to Position
        From `positions`.
    now : callable
        Wall time [ms UTC].
    """

    def __init__(
        self, plan: SourcePlan, make_table: MakeTable, known: dict[str, Position], now: Callable[[], int]
    ) -> None:
        self._plan, self._make_table, self._known, self._now = plan, make_table, dict(known), now
        self._files: dict[str, _Open] = {}
        self._said: dict[str, str] = {}
        self.behind = False

    def poll(self) -> list[FileBlock | FileFault]:
        """What the files have gained, at most a megabyte at a time; `behind` says whether more is there.

        Hand each on to the writer in this order. What is handed on and not written, because the process ends, is
        read again by the next one.
        """
        found: list[FileBlock | FileFault] = []
        self.behind = False
        paths = sorted(glob(self._plan.path or ""))  # noqa: PTH207 - Path.glob takes no absolute pattern
        for gone in self._files.keys() - set(paths):
            del self._files[gone]
        for path in paths:
            if len(found) >= _MOST_PIECES:
                self.behind = True
                break
            try:
                found += self._look(path, _MOST_PIECES - len(found))
            except OSError as fault:
                found += self._fault(path, f"{path}: cannot be read ({fault.strerror}); check its owner")
        return found

    def _fault(self, path: str, text: str) -> list[FileFault]:
        """Say it once, and leave the file alone until it changes."""
        if self._said.get(path) == text:
            return []
        self._said[path] = text
        return [FileFault(self._plan, text, self._now)]

    def _look(self, path: str, most: int) -> list[FileBlock | FileFault]:
        stat = Path(path).stat()
        seen = (stat.st_ino, stat.st_size, stat.st_mtime_ns)
        file = self._files.get(path)
        if file and file.seen == seen:
            return []
        found: list[FileBlock | FileFault] = []
        with Path(path).open("rb") as data:
            if file is None or self._replaced(path, file, seen, data):
                file = self._files[path] = self._begin(path, data)
            file.seen = seen
            data.seek(file.read)
            while len(found) < most and (piece := data.read(_PIECE_BYTES)):
                try:
                    block = file.table.feed(piece)
                except ImportFault as fault:
                    file.broken = True
                    return found + self._fault(path, str(fault))
                file.read += len(piece)
                if block.times or block.rejects:
                    position = self._position(path, file.table, data)
                    found.append(FileBlock(self._plan, path, block, position, self._now))
                    data.seek(file.read)
        if file.read < stat.st_size:
            file.seen, self.behind = (stat.st_ino, -1, 0), True
        elif file.table.doubt:
            found += self._fault(path, str(file.table.doubt))
        return found

    def _begin(self, path: str, data: BinaryIO) -> _Open:
        """Go on where the store says, if the file still begins as it did; else from its start."""
        known = self._known.get(path)
        if known and self._digests(data, known.position) == (known.opening, known.before):
            return _Open(self._make_table(self._plan, path, known.state), known.position)
        self._known.pop(path, None)
        return _Open(self._make_table(self._plan, path, None), 0)

    def _replaced(self, path: str, file: _Open, seen: tuple[int, int, int], data: BinaryIO) -> bool:
        known = self._known.get(path)
        if file.broken:
            return True
        if known:
            return seen[1] < file.read or self._digests(data, known.position) != (known.opening, known.before)
        return seen[1] < file.read or seen[0] != file.inode

    def _position(self, path: str, table: Table, data: BinaryIO) -> Position | None:
        if not table.resumable:
            return None
        at = table.consumed
        self._known[path] = Position(at, *self._digests(data, at), table.state)
        return self._known[path]

    def _digests(self, data: BinaryIO, position: int) -> tuple[str, str]:
        """Of the first bytes with the mapping they are read by, and of the bytes before a position."""
        data.seek(0)
        opening = data.read(min(_OPENING_BYTES, position))
        data.seek(max(0, position - _BEFORE_BYTES))
        before = data.read(min(_BEFORE_BYTES, position))
        return _digest(repr(self._plan).encode() + opening), _digest(before)


def _digest(data: bytes) -> str:
    # Against accident, not malice: a cryptographic digest would cost the logger megabytes of library.
    return f"{zlib.crc32(data):08x}"
