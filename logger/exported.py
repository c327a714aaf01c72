"""Owns bringing our own exports back: files that say themselves what they hold, so that no source need map them."""

from __future__ import annotations

import csv
import datetime as dt
import math
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO

import numpy as np
import numpy.typing as npt

from logger import vocabulary
from logger.clock import believable
from logger.decoders.csv_stamps import UNBELIEVED
from logger.errors import ImportFault, StoreError, UnknownChannel
from logger.plan import ChannelPlan, SourcePlan, TimePlan
from logger.readings import Block, RowReject

TIME = "time [UTC]"
MARKS = "marks"
BETWEEN_MARKS = " | "
SOURCE = SourcePlan(name="export", kind="csv", channels=())
"""Stands for any export of ours; what it holds is in the file."""

_ROWS = 4_000
_OUT_OF_RANGE = "out of range"
_NAME = re.compile(
    r"(?P<channel>\S+) \[(?P<unit>[^];]+)"
    r"(?:; mean of (?P<seconds>[0-9.]+) s(?P<ends>; stamps were ends)?; source (?P<source>.*))?\]",
    re.DOTALL,
)
_SUMMARY = re.compile(r"\S+ (?:mean|low|high|n|most seen) \[[^]]+\]")
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


@dataclass(frozen=True, slots=True)
class Means:
    """That a column holds means, and of what kind; None instead of it: instants.

    Attributes
    ----------
    interval_ms : int
        Length of each [ms].
    label : str
        What the stamps of the file they first came from marked: ``start`` or ``end``. Ours mark starts.
    source : str
        The source they came from.
    """

    interval_ms: int
    label: str
    source: str


@dataclass(frozen=True, slots=True)
class Column:
    """One column of an export."""

    channel: str
    unit: str
    means: Means | None

    @property
    def header(self) -> str:
        if self.means is None:
            return f"{self.channel} [{self.unit}]"
        ends = "; stamps were ends" if self.means.label == "end" else ""
        seconds = f"{self.means.interval_ms / 1000:g}"
        return f"{self.channel} [{self.unit}; mean of {seconds} s{ends}; source {self.means.source}]"


@dataclass(frozen=True, slots=True)
class Piece:
    """Some rows, under the source that they go in by; `done` of `size` bytes are dealt with."""

    source: SourcePlan
    block: Block
    rows: int
    done: int
    size: int


def recognised(path: Path) -> bool:
    """Whether a file is an export of ours, of whatever fineness."""
    try:
        with path.open("rb") as file:
            head = file.read(64)
    except OSError:
        return False
    return head.startswith((b"PAR1", TIME.encode(), b"\xef\xbb\xbf" + TIME.encode()))


def pieces(path: Path) -> Iterator[Piece]:
    """What an export holds, as blocks under the sources that they first came from.

    Raises
    ------
    ImportFault
        It holds no samples, or names a channel or a unit that Noonmark does not have.
    """
    with path.open("rb") as file:
        packed = file.read(4) == b"PAR1"
    yield from _from_parquet(path) if packed else _from_csv(path)


def _from_csv(path: Path) -> Iterator[Piece]:
    size, whole = path.stat().st_size, _ends_whole(path)
    with path.open(encoding="utf-8-sig", newline="") as file:
        reader = csv.reader(file, strict=True)
        try:
            columns, marks = _columns(path, next(reader))
            following = next(reader, None)
            while following is not None:
                rows, following = _next_rows(following, reader)
                done = _position(file)
                cut = reader.line_num if following is None and not whole else None
                blocks = _blocks(rows, columns, marks, cut)
                for n, (source, block) in enumerate(blocks):
                    yield Piece(source, block, 0 if n else len(rows), done, size)
        except csv.Error as fault:
            raise ImportFault(f"{path}, line {reader.line_num}: {fault}; export it anew") from None
        except UnicodeDecodeError as fault:
            raise ImportFault(f"{path}: not UTF-8 ({fault.reason}); export it anew") from None


def _ends_whole(path: Path) -> bool:
    """Whether the last row has its line end; without it a number may lack digits."""
    with path.open("rb") as file:
        file.seek(0, os.SEEK_END)
        file.seek(max(file.tell() - 1, 0))
        return file.read() in (b"\n", b"\r")


def _next_rows(first: list[str], reader: Any) -> tuple[list[tuple[int, list[str]]], list[str] | None]:
    """Some rows with the line at which each ends, and the row after them."""
    rows, row = [(reader.line_num, first)], None
    for row in reader:
        if len(rows) == _ROWS:
            return rows, row
        rows.append((reader.line_num, row))
    return rows, None


def _position(file: TextIO) -> int:
    return file.buffer.tell()


def _columns(path: Path, header: Sequence[str]) -> tuple[dict[int, Column], dict[str, int]]:
    """Place to column, and channel to the place of its marks."""
    columns: dict[int, Column] = {}
    marks: dict[str, int] = {}
    if header[0] != TIME:
        raise ImportFault(
            f"{path}: its columns are not apart by commas any more; export it anew, and leave it as it is"
        )
    for place, name in enumerate(header[1:], 1):
        if _SUMMARY.fullmatch(name):
            raise ImportFault(
                f"{path}: column {name!r}: this export holds sums of intervals; only one of samples can be brought back"
            )
        found = _NAME.fullmatch(name)
        if not found:
            raise ImportFault(f"{path}: column {name!r} is none of an export; leave its header as it was")
        if found["unit"] == MARKS:
            marks[found["channel"]] = place
            continue
        means = None
        if found["seconds"]:
            label = "end" if found["ends"] else "start"
            means = Means(round(float(found["seconds"]) * 1000), label, found["source"])
        columns[place] = _known(path, Column(found["channel"], found["unit"], means))
    if not columns:
        raise ImportFault(f"{path}: it holds no channel; export it anew")
    return columns, marks


def _known(path: Path, column: Column) -> Column:
    try:
        unit = vocabulary.lookup(column.channel).unit
    except UnknownChannel as fault:
        raise ImportFault(f"{path}: {fault}") from None
    if unit != column.unit:
        raise ImportFault(f"{path}: {column.channel} is in {column.unit} there, and in {unit} here; export it anew")
    return column


def _blocks(
    rows: Sequence[tuple[int, Sequence[str]]],
    columns: dict[int, Column],
    marks: dict[str, int],
    cut: int | None = None,
) -> Iterator[tuple[SourcePlan, Block]]:
    rejects: list[RowReject] = []
    times, cells = [], []
    for line, row in rows:
        t = _moment(row[0]) if row else None
        why = None
        if line == cut:
            why = "no line end, and may be half written"
        elif t is None:
            why = "no time"
        elif not believable(t):
            why = UNBELIEVED
        elif len(row) != 1 + len(columns) + len(marks):
            why = "another number of cells than the header"
        if why or t is None:
            rejects.append(RowReject(line, ",".join(row).encode(), why or "no time", t))
        else:
            times.append(t)
            cells.append((line, row))
    for means in dict.fromkeys(column.means for column in columns.values()):
        own = {place: column for place, column in columns.items() if column.means == means}
        values = [_values(column, place, times, cells, rejects) for place, column in own.items()]
        where = [marks.get(column.channel) for column in own.values()]
        said = {
            (row, n): tuple(line[1][place].split(BETWEEN_MARKS))
            for n, place in enumerate(where)
            if place is not None
            for row, line in enumerate(cells)
            if line[1][place]
        }
        yield block_of(list(own.values()), times, values, said, tuple(rejects))
        rejects = []


def _values(
    column: Column,
    place: int,
    times: Sequence[int],
    cells: Sequence[tuple[int, Sequence[str]]],
    rejects: list[RowReject],
) -> list[float | str | None]:
    found: list[float | str | None] = []
    for t, (line, row) in zip(times, cells, strict=True):
        text = row[place]
        value: float | str | None = text or None
        if text and column.unit != "text":
            value = _number(text)
            if value is None:
                rejects.append(RowReject(line, text.encode(), "not a number", t))
        found.append(value)
    return found


def _number(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) and "_" not in text else None


def _moment(text: str) -> int | None:
    try:
        moment = dt.datetime.fromisoformat(text)
    except ValueError:
        return None
    return (moment - _EPOCH) // dt.timedelta(milliseconds=1) if moment.tzinfo else None


def block_of(
    columns: Sequence[Column],
    times: Sequence[int],
    values: Sequence[Sequence[float | str | None]],
    marks: dict[tuple[int, int], tuple[str, ...]],
    rejects: tuple[RowReject, ...] = (),
) -> tuple[SourcePlan, Block]:
    """A block of columns that share their kind of means, without rows that hold nothing, and its source."""
    means = columns[0].means
    plans = tuple(_plan(column) for column in columns)
    filled = [row for row in range(len(times)) if any(column[row] is not None for column in values)]
    kept = {
        (at, n): tuple(dict.fromkeys((*marks.get((row, n), ()), *_judged(plan, values[n][row]))))
        for at, row in enumerate(filled)
        for n, plan in enumerate(plans)
        if values[n][row] is not None
    }
    block = Block(
        [times[row] for row in filled],
        tuple([column[row] for row in filled] for column in values),
        {place: reasons for place, reasons in kept.items() if reasons},
        rejects,
    )
    return SourcePlan(means.source if means else SOURCE.name, "csv", plans, time=_time(means)), block


def _judged(plan: ChannelPlan, value: Any) -> tuple[str, ...]:
    """As any other reading, one outside the plausible range is marked."""
    return () if plan.is_text or plan.low <= value <= plan.high else (_OUT_OF_RANGE,)


def _plan(column: Column) -> ChannelPlan:
    known = vocabulary.lookup(column.channel)
    return ChannelPlan(
        column.header, column.channel, known.unit, 1.0, 0.0, known.low, known.high, is_text=known.is_text
    )


def _time(means: Means | None) -> TimePlan:
    label, interval_ms = (means.label, means.interval_ms) if means else ("instant", None)
    return TimePlan(TIME, None, None, "UTC", None, label, interval_ms, None)


def _from_parquet(path: Path) -> Iterator[Piece]:
    from logger import parquet_files  # noqa: PLC0415 - heavy, and for such files alone

    try:
        about = parquet_files.meta(path)
        if about["kind"] != "sample":
            raise ImportFault(f"{path}: holds sums of intervals; only an export of samples can be brought back")
        names = sorted(about["units"])
        ids = {name: number for number, name in enumerate(names)}
        marks: dict[tuple[int, str], tuple[str, ...]] = {}
        for t, name, reason in about.get("marks", []):
            marks[t, name] = (*marks.get((t, name), ()), reason)
        size = path.stat().st_size
        for rows in parquet_files.groups(path, ids):
            for number in dict.fromkeys(rows.channel.tolist()):
                own = rows.where(rows.channel == number)
                words = about["words"].get(names[number])
                column = _known(path, Column(names[number], about["units"][names[number]], None))
                values = own.values[0].tolist()
                found = [words[str(int(value))] for value in values] if words else values
                for n, (source, block) in enumerate(_by_span(column, own.t.tolist(), found, about["spans"], marks)):
                    yield Piece(source, block, 0 if n else len(own), 0, size)
    except StoreError as fault:
        if parquet_files.NOT_OURS in str(fault):
            raise ImportFault(str(fault)) from None
        raise ImportFault(f"{path}: damaged or cut short, it cannot be read whole; export it anew") from None


def _by_span(
    column: Column,
    times: Sequence[int],
    values: Sequence[float | str],
    spans: Sequence[Sequence[Any]],
    marks: dict[tuple[int, str], tuple[str, ...]],
) -> Iterator[tuple[SourcePlan, Block]]:
    """The samples of one channel under each kind of means that their spans state."""
    for means, chosen in under_spans(column.channel, times, spans):
        said = {
            (row, 0): marks[t, column.channel]
            for row, (t, there) in enumerate(zip(times, chosen, strict=True))
            if there and (t, column.channel) in marks
        }
        own = [value if there else None for value, there in zip(values, chosen, strict=True)]
        yield block_of([Column(column.channel, column.unit, means)], times, [own], said)


def under_spans(
    channel: str, times: Sequence[int], spans: Sequence[Sequence[Any]]
) -> list[tuple[Means | None, list[bool]]]:
    """Which samples of a channel are means of which kind; those under no span, first, are instants.

    `spans` are ``(channel, start, stop, interval_ms, label, source)``. A sample under two spans belongs to both.
    """
    t = np.asarray(times, dtype=np.int64)
    instants = np.ones(len(t), dtype=bool)
    kinds: dict[Means, npt.NDArray[np.bool_]] = {}
    for name, start, stop, interval_ms, label, source in spans:
        if name != channel or interval_ms is None:
            continue
        within = (t >= start) & (t < stop)
        instants &= ~within
        means = Means(interval_ms, label, source)
        kinds[means] = kinds[means] | within if means in kinds else within
    found: list[tuple[Means | None, npt.NDArray[np.bool_]]] = [(None, instants), *kinds.items()]
    return [(means, chosen.tolist()) for means, chosen in found if chosen.any()]
