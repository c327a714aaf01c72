"""Owns history from files: which source reads which file, and its rows into the store, a piece at a time."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from logger import exported, history, sealed
from logger.decoders.csv_proposals import advice
from logger.decoders.csv_records import why_no_text
from logger.decoders.csv_stamps import UNBELIEVED
from logger.decoders.csv_table import CsvTable
from logger.errors import ImportFault, StoreError, UsageError
from logger.history_pieces import Kept
from logger.plan import Plan, SourcePlan
from logger.readings import Block
from logger.store import HOUR_MS, Channels, WritingConnection, keep_settings, transaction

_HEAD_BYTES = 1 << 18
_PIECE_BYTES = 1 << 20
# Beyond an hour the analysis takes readings for single moments; a few rows may be anything.
_RARE_H, _FEW_ROWS = 1.5, 5
_LOG_PAGES = 8_000

Progress = Callable[[Path, int, int], None]


@dataclass(slots=True)
class Brought:
    """What one file came to.

    Attributes
    ----------
    path : Path
    source : str
        Name of the source that read it, empty where none could.
    rows : int
        Rows found, without headers and empty lines.
    kept : Kept
    first, last : int or None
        Earliest and latest time of its rows [ms UTC].
    held_back : bool
        The last line has no line end and may be half written; it was left out.
    fault : str or None
        Why the file could not be read, or not to its end.
    note : str or None
        What a careful reader would ask about it.
    """

    path: Path
    source: str
    rows: int = 0
    kept: Kept = field(default_factory=Kept)
    first: int | None = None
    last: int | None = None
    held_back: bool = False
    fault: str | None = None
    note: str | None = None


def choose(plan: Plan, files: Sequence[Path], name: str | None = None) -> list[tuple[Path, SourcePlan | None]]:
    """The source for each file: the named one, or the one csv source whose headers fit.

    Our own exports say themselves what they hold and need no source in the settings. A file that cannot be opened gets
    None; bringing it in will say why.

    Raises
    ------
    UsageError
        There is no such source, or none or several fit a file; the message names them.
    """
    known = [source for source in plan.sources if source.kind == "csv"]
    for path in files:
        if path.exists() and not (path.is_file() or path.is_dir()):
            raise UsageError(f"{path}: is a pipe or a device, which can be read once; save what comes to a file first")
    if name is not None:
        named = [source for source in known if source.name == name]
        if not named:
            raise UsageError(f"no csv source has the name {name!r}; {_listed(known)}")
        return [(path, named[0]) for path in files]
    if not known and not all(exported.recognised(path) for path in files):
        raise UsageError("the settings hold no source of kind csv; add a [[source]] that maps the file's columns")
    return [(path, _fitting(path, known)) for path in files]


def _fitting(path: Path, known: Sequence[SourcePlan]) -> SourcePlan | None:
    if exported.recognised(path):
        return exported.SOURCE
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except OSError:
        return None
    faults: dict[str, str] = {}
    fitting = [source for source in known if _fits(source, path, head, faults)]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        raise UsageError(f"{path}: several sources fit, {_listed(fitting)}; say which with --source NAME")
    reasons = "".join(f"\n  {name}: {fault}" for name, fault in faults.items())
    raise UsageError(f"{path}: no source fits; {_listed(known)}:{reasons}")


def _fits(source: SourcePlan, path: Path, head: bytes, faults: dict[str, str]) -> bool:
    try:
        if why := why_no_text(head, source.encoding):
            raise ImportFault(f"{path}: {why}")
        table = CsvTable(source, str(path))
        block = table.feed(head)
    except ImportFault as fault:
        faults[source.name] = str(fault)
        return False
    # A clock that was not set for the first days fits all the same.
    unread = any(reject.reason != UNBELIEVED for reject in block.rejects) or not block.rejects
    if table.rows and not block.times and table.doubt is None and unread:
        faults[source.name] = "none of its first rows can be read: " + _first_reject(block, table, source)
        return False
    return True


def _first_reject(block: Block, table: CsvTable, source: SourcePlan) -> str:
    if not block.rejects:
        return "no time"
    first = block.rejects[0]
    told = f"line {first.line}: {first.reason}"
    if {reject.reason for reject in block.rejects} <= {"record too short", "record too long"}:
        return (
            f"{told} for the {table.columns} columns of the first line, and so are all that follow: the lines are no "
            "rows of one table. A file of fixed places is no CSV and must be turned into one first; where the table "
            "begins further down, give skip_rows"
        )
    return told + advice(source.time, table.unread) if source.time else told


def _listed(sources: Sequence[SourcePlan]) -> str:
    names = ", ".join(repr(source.name) for source in sources)
    return f"csv sources: {names}" if names else "there is no csv source"


def bring_in(
    connection: WritingConnection,
    plan: Plan,
    chosen: Sequence[tuple[Path, SourcePlan | None]],
    now: int,
    progress: Progress | None = None,
) -> Iterator[Brought]:
    """Bring files into the store, one after another; a file that cannot be read does not stop the others.

    Parameters
    ----------
    connection : sqlite3.Connection
        A writer.
    plan : Plan
        For the settings that the store keeps.
    chosen : sequence of (Path, SourcePlan)
        From `choose`.
    now : int
        Wall time [ms UTC].
    progress : callable, optional
        Called with the file, the bytes dealt with and its size.

    Raises
    ------
    StoreError
        The store cannot be written; what was brought in until then stays.
    """
    try:
        # Much is written in a row: copying it from the log into the store less often costs fewer waits for the disk.
        connection.execute(f"PRAGMA wal_autocheckpoint = {_LOG_PAGES}")
        history.close_finished(connection, now)
        channels, pace = Channels(connection), history.Pace()
        for path, source in chosen:
            brought = Brought(path, source.name if source else "")
            try:
                for own, block in _pieces(path, source, brought, progress):
                    _keep(connection, channels, plan, own, block, brought, now, pace)
                _say_if_nothing(brought)
                brought.note = _rare_moments(brought, source)
            except ImportFault as fault:
                brought.fault = str(fault)
            yield brought
    except sqlite3.Error as fault:
        raise StoreError(
            f"store {plan.store_path}: {fault}; what came in before stays, "
            "import the same files again when that is mended"
        ) from None


def _pieces(
    path: Path, source: SourcePlan | None, brought: Brought, progress: Progress | None
) -> Iterator[tuple[SourcePlan | None, Block]]:
    if source is not exported.SOURCE:
        for block in _blocks(path, source, brought, progress):
            yield source, block
        return
    for piece in exported.pieces(path):
        brought.rows += piece.rows
        yield piece.source, piece.block
        if progress:
            progress(path, piece.done, piece.size)


def _blocks(path: Path, source: SourcePlan | None, brought: Brought, progress: Progress | None) -> Iterator[Block]:
    try:
        with path.open("rb") as file:
            if source is None:
                raise ImportFault(f"{path}: cannot be opened")
            size, done = path.stat().st_size, 0
            table = CsvTable(source, str(path))
            while piece := file.read(_PIECE_BYTES):
                if not done and (why := why_no_text(piece, source.encoding)):
                    raise ImportFault(f"{path}: {why}")
                yield table.feed(piece)
                done += len(piece)
                brought.rows = table.rows
                if progress:
                    progress(path, done, size)
            yield table.finish()
            brought.rows, brought.held_back = table.rows, bool(table.held_back)
    except OSError as fault:
        raise ImportFault(f"{path}: cannot be read ({fault.strerror or fault}); check its name and its owner") from None


def _keep(
    connection: sqlite3.Connection,
    channels: Channels,
    plan: Plan,
    source: SourcePlan | None,
    block: Block,
    brought: Brought,
    now: int,
    pace: history.Pace,
) -> None:
    if source is None or not (block.times or block.rejects):
        return
    _reopen(connection, Path(plan.store_path), source, block)
    brought.kept.add(history.keep(connection, channels, source, block, now, pace))
    if block.times:
        first, last = min(block.times), max(block.times)
        brought.first = first if brought.first is None else min(first, brought.first)
        brought.last = last if brought.last is None else max(last, brought.last)
        _note_settings(connection, plan, min(first, now), now)


def _reopen(connection: sqlite3.Connection, store: Path, source: SourcePlan, block: Block) -> None:
    """Bring sealed days into which rows fall, or means reach, back into the store: there they are compared."""
    if not block.times or not sealed.between(connection, "sample", min(block.times), max(block.times) + 1):
        return
    from logger.reopening import reopen  # noqa: PLC0415 - heavy, and rare

    reach = source.time.interval_ms if source.time and source.time.interval_ms else 1
    days = {at // sealed.DAY_MS * sealed.DAY_MS for t in block.times for at in (t, t + reach - 1)}
    with sealed.at_work(store, wait=True):
        reopen(connection, ((day, day + 1) for day in sorted(days)))


def _note_settings(connection: sqlite3.Connection, plan: Plan, first: int, now: int) -> None:
    """Keep the settings; the first ever kept hold from the first sample on."""
    rows = connection.execute("SELECT id, start, hash FROM settings ORDER BY start LIMIT 2").fetchall()
    if len(rows) == 1 and rows[0][2] == plan.settings_hash and rows[0][1] > first:
        with transaction(connection):
            connection.execute("UPDATE settings SET start = ? WHERE id = ?", (first, rows[0][0]))
        return
    (known,) = connection.execute(
        "SELECT count(*) FROM settings WHERE stop IS NULL AND hash = ?", (plan.settings_hash,)
    ).fetchone()
    if not known:
        with transaction(connection):
            keep_settings(connection, now if rows else first, plan.settings_hash, plan.settings_text)


def _rare_moments(brought: Brought, source: SourcePlan | None) -> str | None:
    """Readings of single moments that lie hours apart tell nothing of the time between them."""
    if source is None or source.time is None or source.time.interval_ms or brought.rows < _FEW_ROWS:
        return None
    if brought.first is None or brought.last is None:
        return None
    apart_h = (brought.last - brought.first) / (brought.rows - 1) / HOUR_MS
    if apart_h < _RARE_H:
        return None
    return (
        f"its rows lie about {apart_h:.0f} h apart, and as moments they tell nothing of the time between: where each "
        f"stands for so long, give source {source.name!r} label and interval_s"
    )


def _say_if_nothing(brought: Brought) -> None:
    if brought.rows and not brought.kept.samples:
        reasons = sorted(brought.kept.rejects.items(), key=lambda item: item[1][1])
        if reasons:
            reason, (_, line) = reasons[0]
            mend = f"Mend time, separator, decimal, missing or skip_rows of source {brought.source!r}"
            if brought.source == exported.SOURCE.name:
                mend = "Export it anew, and leave it as it is"
            raise ImportFault(
                f"{brought.path}, line {line}: {reason}; none of its {brought.rows} rows could be read. {mend}"
            )
