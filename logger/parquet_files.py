"""Owns one file of sealed or exported rows: Parquet, written, read back and understood without the store.

A file is sorted by channel and time, so that one channel is read without the others. Its metadata hold, as JSON under
``noonmark``, what the store knew: units, words of text channels, spans of means, settings in force.
"""

from __future__ import annotations

import json
import os
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from logger.errors import StoreError
from logger.rows import COLUMNS, Floats, Ints, Rows, empty, joined
from logger.sealed import Kind

# A group of rows is read whole: large enough to pack well, small enough that a channel costs little.
_LEAST_GROUP = 40_000
_LEVEL = 9
_META = b"noonmark"
NOT_OURS = "this Parquet file was not written by Noonmark"
PART = ".part"


def write(path: Path, kind: Kind, rows: Rows, names: Mapping[int, str], meta: Mapping[str, Any]) -> None:
    """Write rows to a file that stands whole or not at all, and compare what it holds with them, value by value.

    Parameters
    ----------
    path : Path
        Replaced where there is one.
    kind : str
        Which columns the rows have.
    rows : Rows
        In the order of the key.
    names : mapping of int to str
        Channel number to name.
    meta : mapping
        What else to know about them, as JSON.

    Raises
    ------
    StoreError
        It cannot be written, or reads back otherwise than it was written.
    """
    with _written(path) as part:
        with part.open("wb") as file:
            with pq.ParquetWriter(file, _schema(kind, meta), **_encoding(kind)) as writer:
                _append(writer, rows, names)
            file.flush()
            os.fsync(file.fileno())
        _verify(part, kind, rows, names)


def write_parts(
    path: Path, kind: Kind, parts: Iterable[Rows], names: Mapping[int, str], meta: Mapping[str, Any]
) -> int:
    """Write rows that come a part at a time, each sorted by itself, so that memory stays flat; how many there were.

    Raises
    ------
    StoreError
        It cannot be written.
    """
    count = 0
    with _written(path) as part, part.open("wb") as file:
        with pq.ParquetWriter(file, _schema(kind, meta), **_encoding(kind)) as writer:
            for rows in parts:
                _append(writer, rows, names)
                count += len(rows)
        file.flush()
        os.fsync(file.fileno())
    return count


@contextmanager
def _written(path: Path) -> Iterator[Path]:
    """Another name for a file that stands whole or not at all; what stood there before stays until then."""
    part = path.with_name(path.name + PART)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield part
        part.replace(path)
        _sync_folder(path.parent)
    except OSError as fault:
        raise StoreError(
            f"{path}: cannot be written ({fault.strerror or fault}); nothing left the store: see that "
            "there is room, then seal again"
        ) from None
    finally:
        part.unlink(missing_ok=True)


def _append(writer: pq.ParquetWriter, rows: Rows, names: Mapping[int, str]) -> None:
    """Add rows by channel and time."""
    for group in _groups(rows, names):
        writer.write_table(_table(writer.schema, group, names))


def _groups(rows: Rows, names: Mapping[int, str]) -> Iterator[Rows]:
    """Rows of some channels after another, in the order of their names: copies of a whole day would cost too much."""
    gathered: list[Ints] = []
    count = 0
    for number in sorted(np.unique(rows.channel).tolist(), key=names.__getitem__):
        gathered.append(np.flatnonzero(rows.channel == number))
        count += len(gathered[-1])
        if count >= _LEAST_GROUP:
            yield rows.where(np.concatenate(gathered))
            gathered, count = [], 0
    if count:
        yield rows.where(np.concatenate(gathered))


def _schema(kind: Kind, meta: Mapping[str, Any]) -> pa.Schema:
    fields = [
        pa.field("t", pa.timestamp("ms", tz="UTC"), nullable=False),
        pa.field("channel", pa.dictionary(pa.int32(), pa.string()), nullable=False),
        *(pa.field(name, pa.int64() if name == "n" else pa.float64(), nullable=False) for name in COLUMNS[kind]),
    ]
    return pa.schema(fields, metadata={_META: json.dumps({"kind": kind, **meta}, ensure_ascii=False).encode()})


def _encoding(kind: Kind) -> dict[str, Any]:
    coded: list[str] = [name for name in COLUMNS[kind] if name != "mean"]
    split = {"mean": "BYTE_STREAM_SPLIT"} if kind == "minute" else {}
    return {
        "compression": "zstd",
        "compression_level": _LEVEL,
        "use_dictionary": ["channel", *coded],
        "column_encoding": {"t": "DELTA_BINARY_PACKED", **split},
        "write_statistics": ["t", "channel"],
    }


def _table(schema: pa.Schema, rows: Rows, names: Mapping[int, str]) -> pa.Table:
    numbers, place = np.unique(rows.channel, return_inverse=True)
    words = pa.array([names[number] for number in numbers.tolist()], pa.string())
    columns = [
        pa.array(rows.t).cast(schema.field("t").type),
        pa.DictionaryArray.from_arrays(pa.array(place.astype(np.int32)), words),
        *(
            pa.array(column.astype(np.int64) if field.type == pa.int64() else column)
            for field, column in zip(list(schema)[2:], rows.values, strict=True)
        ),
    ]
    return pa.Table.from_arrays(columns, schema=schema)


def _verify(part: Path, kind: Kind, rows: Rows, names: Mapping[int, str]) -> None:
    ids = {name: number for number, name in names.items()}
    with _opened(part) as file:
        written = 0
        for written, wanted in enumerate(_groups(rows, names), 1):
            if written > file.num_row_groups or not _group(file, written - 1, kind, ids).same(wanted):
                raise OSError(f"row group {written} reads back otherwise than it was written; is the card worn out?")
        if written != file.num_row_groups:
            raise OSError(f"{file.num_row_groups} row groups read back of {written}")


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def read(
    path: Path,
    kind: Kind,
    ids: Mapping[str, int],
    start: int,
    stop: int,
    channels: Collection[int] | None = None,
) -> Rows:
    """Rows of a file with ``start <= t < stop``, in the order of the key; channels that `ids` lacks are left out.

    Raises
    ------
    StoreError
        The file is missing or damaged.
    """
    wanted = {name: number for name, number in ids.items() if channels is None or number in channels}
    if not wanted:
        return empty(kind)
    first, last = min(wanted), max(wanted)
    parts = []
    try:
        with _opened(path) as file:
            for group in range(file.num_row_groups):
                low, high = _channel_bounds(file, group)
                if low > last or high < first:
                    continue
                rows = _group(file, group, kind, ids)
                chosen = (rows.t >= start) & (rows.t < stop)
                if len(wanted) < len(ids) or (rows.channel < 0).any():
                    chosen &= np.isin(rows.channel, list(wanted.values()))
                parts.append(rows if chosen.all() else rows.where(chosen))
    except (OSError, pa.ArrowException, KeyError, IndexError) as fault:
        raise _unreadable(path, fault) from None
    return joined(parts) if parts else empty(kind)


def groups(path: Path, ids: Mapping[str, int]) -> Iterator[Rows]:
    """The samples of a file, a group at a time, each by channel and time; the file's channels are numbered by `ids`.

    Raises
    ------
    StoreError
        The file is missing or damaged.
    """
    try:
        with _opened(path) as file:
            for group in range(file.num_row_groups):
                yield _group(file, group, "sample", ids)
    except (OSError, pa.ArrowException, KeyError, IndexError) as fault:
        raise _unreadable(path, fault) from None


def meta(path: Path) -> dict[str, Any]:
    """What a file says of its rows.

    Raises
    ------
    StoreError
        The file is missing, damaged, or was not written by Noonmark.
    """
    try:
        with _opened(path) as file:
            found: dict[str, Any] = json.loads((file.schema_arrow.metadata or {})[_META])
    except KeyError:
        raise StoreError(f"{path}: {NOT_OURS}; save it as CSV and import that") from None
    except (OSError, pa.ArrowException, ValueError) as fault:
        raise _unreadable(path, fault) from None
    return found


def bounds(path: Path) -> tuple[int, int, int]:
    """Number of rows of a file, and the times of the first and the last of them, UTC [ms].

    Raises
    ------
    StoreError
        The file is missing, damaged or empty.
    """
    try:
        with _opened(path) as file:
            groups_of_time = [file.metadata.row_group(n).column(0).statistics for n in range(file.num_row_groups)]
            ends = [round(at.timestamp() * 1000) for each in groups_of_time for at in (each.min, each.max)]
            return file.metadata.num_rows, min(ends), max(ends)
    except (OSError, pa.ArrowException, AttributeError, ValueError) as fault:
        raise _unreadable(path, fault) from None


def _unreadable(path: Path, fault: Exception) -> StoreError:
    why = "is missing" if isinstance(fault, FileNotFoundError) else f"cannot be read ({fault})"
    return StoreError(f"{path}: {why}; bring the file back from a backup")


def _opened(path: Path) -> pq.ParquetFile:
    return pq.ParquetFile(path, read_dictionary=["channel"], memory_map=False)


def _channel_bounds(file: pq.ParquetFile, group: int) -> tuple[str, str]:
    statistics = file.metadata.row_group(group).column(1).statistics
    return (statistics.min, statistics.max) if statistics and statistics.has_min_max else ("", "\U0010ffff")


def _group(file: pq.ParquetFile, group: int, kind: Kind, ids: Mapping[str, int]) -> Rows:
    table = file.read_row_group(group).combine_chunks()
    times, names = table.column("t").chunk(0), table.column("channel").chunk(0)
    known = np.array([ids.get(name, -1) for name in names.dictionary.to_pylist()], dtype=np.int64)
    values: list[Floats] = [
        table.column(name).chunk(0).to_numpy(zero_copy_only=False).astype(float) for name in COLUMNS[kind]
    ]
    t = times.view(pa.int64()).to_numpy()
    return Rows(t, known[names.indices.to_numpy()], np.stack(values))
