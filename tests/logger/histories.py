"""Owns short ways to write history sources, stores and files in tests."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from logger.decoders.csv_table import CsvTable
from logger.plan import ChannelPlan, SourcePlan, TimePlan
from logger.readings import Block, RowReject
from logger.schema import prepare
from logger.store import open_writer
from tests.logger.plans import channel


def time(field: int | str | None = "time", **more: Any) -> TimePlan:
    """Instants in UTC in a column called time, where nothing else is said."""
    usual = {"date": None, "clock": None, "zone": "UTC", "format": None, "label": "instant"}
    return TimePlan(**{"field": field, **usual, "interval_ms": None, "year": None, **more})


def history(when: TimePlan, *channels: ChannelPlan, **more: Any) -> SourcePlan:
    """A csv source."""
    return SourcePlan(
        **{"name": "history", "kind": "csv", "path": "/nowhere/*.csv", "time": when, "channels": channels, **more}
    )


VOLTS = channel("v", "bank.house.voltage")
AMPS = channel("i", "bank.house.current", unit="A", low=-3000.0, high=3000.0)


@dataclass
class Table:
    """What a decoder made of a whole file."""

    times: list[int]
    columns: list[list[float | str | None]]
    rejects: list[RowReject]
    marks: dict[tuple[int, int], tuple[str, ...]]
    rows: int
    held_back: bytes

    @property
    def reasons(self) -> list[tuple[int, str]]:
        return [(reject.line, reject.reason) for reject in self.rejects]


def decode(plan: SourcePlan, data: bytes, steps: Iterable[int] = (), finish: bool = True) -> Table:
    """Decode a file that arrives in pieces of these lengths, then in one piece."""
    table, at = CsvTable(plan, "x.csv"), 0
    blocks: list[Block] = []
    for step in steps:
        blocks.append(table.feed(data[at : at + step]))
        at += step
    blocks.append(table.feed(data[at:]))
    if finish:
        blocks.append(table.finish())
    times: list[int] = []
    columns: list[list[float | str | None]] = [[] for _ in plan.channels]
    marks: dict[tuple[int, int], tuple[str, ...]] = {}
    for block in blocks:
        marks |= {(row + len(times), at): why for (row, at), why in block.marks.items()}
        times += block.times
        for column, part in zip(columns, block.columns, strict=True):
            column.extend(part)
    return Table(times, columns, [r for b in blocks for r in b.rejects], marks, table.rows, table.held_back)


@contextmanager
def store(path: Path) -> Iterator[sqlite3.Connection]:
    """A prepared store, open for writing; its safety against power cuts is not what these tests are about."""
    prepare(path)
    with closing(open_writer(path)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        yield connection
