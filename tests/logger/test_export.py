"""What is taken out can be read by others, and brought back to the same store."""

from __future__ import annotations

import csv
import io
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet as pq
import pytest

from logger import exporting, reading
from logger.errors import UsageError
from logger.importing import Brought, bring_in, choose
from logger.plan import Plan
from logger.schema import prepare
from logger.sealed import DAY_MS
from logger.store import open_writer, transaction
from tests.logger.archives import (
    AMPS,
    FIRST,
    FOR_EVER,
    HOUR,
    MINUTE,
    STAGE,
    VOLTS,
    Sample,
    insert,
    seal,
    store,
)

NOW = FIRST + 100 * DAY_MS
SAMPLES: list[Sample] = [
    *((FIRST + k * 7_001, VOLTS, 12 + k % 13 / 7) for k in range(20_000)),
    *((FIRST + k * 15 * MINUTE, AMPS, -k / 3) for k in range(150)),
    (FIRST + 40 * HOUR, AMPS, 1e-17),
    *((FIRST + k * HOUR, STAGE, float(k % 2)) for k in range(30)),
    (FIRST + HOUR + 1, VOLTS, 9_999.0),
]
MEANS = (AMPS, FIRST, FIRST + 150 * 15 * MINUTE, 15 * MINUTE)
MARKS = [(FIRST + HOUR + 1, VOLTS, "out of range"), (FIRST + 7_001, VOLTS, "stuck"), (FIRST + 7_001, VOLTS, "jump")]


def plan(path: Path) -> Plan:
    return Plan("", "abc", str(path), 30.0, ())


def bring(path: Path, *files: Path) -> list[Brought]:
    """Import into a store, with settings that hold no source at all."""
    prepare(path)
    ours = plan(path)
    with closing(open_writer(path)) as connection:
        return list(bring_in(connection, ours, choose(ours, files), NOW))


def record(connection: sqlite3.Connection) -> dict[str, list[tuple[Any, ...]]]:
    """All that a store knows of its channels, by their names."""
    names = {number: name for name, number in connection.execute("SELECT name, id FROM channel")}
    words = {(c, code): word for c, code, word in connection.execute("SELECT * FROM label")}
    rows = reading.rows(connection, "sample", 0, FOR_EVER)
    found: dict[str, list[tuple[Any, ...]]] = {
        "sample": sorted(
            (t, names[c], words.get((c, value), value))
            for t, c, value in zip(rows.t.tolist(), rows.channel.tolist(), rows.values[0].tolist(), strict=True)
        )
    }
    for table in ("minute", "hour", "day"):
        found[table] = sorted(
            # A sum may round otherwise in memory than in the database.
            (t, names[c], words.get((c, mean), round(mean, 9)), n)
            for t, c, mean, n in connection.execute(f"SELECT t, channel, mean, n FROM {table}")
        )
    for table in ("mark", "span"):
        found[table] = sorted(
            (names[row[0]], *row[1:])
            for row in connection.execute(
                "SELECT channel, t, reason FROM mark" if table == "mark" else "SELECT * FROM span"
            )
        )
    return found


@pytest.fixture(params=["in the store", "sealed"])
def connection(request: pytest.FixtureRequest, tmp_path: Path) -> Any:
    with store(tmp_path / "x.db", [], [MEANS]) as opened:
        with transaction(opened):
            opened.executemany("INSERT INTO mark VALUES (?, ?, ?)", MARKS)
            insert(opened, SAMPLES)
        if request.param == "sealed":
            seal(opened, tmp_path / "x.db", FIRST + 3 * DAY_MS)
        yield opened


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_an_export_comes_back_to_the_same_store(connection: sqlite3.Connection, tmp_path: Path, kind: str) -> None:
    """Samples to the last bit, words, marks, spans and rollups: of an import without any source in the settings."""
    file = tmp_path / f"out.{kind}"
    exporting.export(connection, file, 0, FOR_EVER)
    (brought,) = bring(tmp_path / "y.db", file)
    assert brought.fault is None
    assert brought.kept.new == len(SAMPLES)
    with closing(open_writer(tmp_path / "y.db")) as other:
        theirs, ours = record(other), record(connection)
    for table, rows in ours.items():
        assert theirs[table] == rows, table
    (again,) = bring(tmp_path / "y.db", file)
    assert (again.kept.new, again.kept.same, again.kept.superseded) == (0, len(SAMPLES), 0)


def test_an_export_into_its_own_sealed_store_changes_nothing(connection: sqlite3.Connection, tmp_path: Path) -> None:
    """Rows that lie in files are known too: none is new."""
    file = tmp_path / "out.csv"
    exporting.export(connection, file, 0, FOR_EVER)
    before = record(connection)
    (brought,) = bring(tmp_path / "x.db", file)
    assert (brought.kept.new, brought.kept.same, brought.kept.superseded) == (0, len(SAMPLES), 0)
    assert record(connection) == before
    seal(connection, tmp_path / "x.db", FIRST + 3 * DAY_MS)
    assert record(connection) == before


def test_a_corrected_import_reaches_sealed_days(connection: sqlite3.Connection, tmp_path: Path) -> None:
    """A corrected value of a sealed day wins, the old one is kept among the rejects, and rollups follow at once."""
    (tmp_path / "mended.csv").write_text("time [UTC],bank.house.voltage [V]\r\n2024-01-02T00:00:00.000Z,14.5\r\n")
    (brought,) = bring(tmp_path / "x.db", tmp_path / "mended.csv")
    assert (brought.kept.new, brought.kept.superseded) == (0, 1)
    assert connection.execute("SELECT raw FROM reject").fetchone() == (b"bank.house.voltage = 12.0",)
    high = "SELECT high FROM minute WHERE t = ? AND channel = ?"
    assert connection.execute(high, (FIRST, VOLTS)).fetchone() == (14.5,)
    expected = connection.execute("SELECT * FROM day ORDER BY t, channel").fetchall()
    seal(connection, tmp_path / "x.db", FIRST + 3 * DAY_MS)
    assert connection.execute("SELECT * FROM day ORDER BY t, channel").fetchall() == expected


def test_csv_is_what_others_read(connection: sqlite3.Connection, tmp_path: Path) -> None:
    """CRLF, one header with units, ISO 8601 in UTC (RFC 4180 section 2, ISO 8601-1): pandas reads the same values."""
    file = tmp_path / "out.csv"
    assert exporting.export(connection, file, FIRST, FIRST + HOUR, ["bank.house.voltage"]) == 515
    text = file.read_bytes()
    assert text.count(b"\r\n") == text.count(b"\n") == 516
    assert text.startswith(
        b"time [UTC],bank.house.voltage [V],bank.house.voltage [marks]\r\n2024-01-02T00:00:00.000Z,12.0,\r\n"
    )
    table = pd.read_csv(file, parse_dates=["time [UTC]"])
    assert table["time [UTC]"].iloc[1] == pd.Timestamp("2024-01-02T00:00:07.001Z")
    assert table["bank.house.voltage [V]"].tolist() == [row[2] for row in SAMPLES[:515]]
    assert table["bank.house.voltage [marks]"].iloc[1] in ("stuck | jump", "jump | stuck")


@pytest.mark.parametrize("resolution", ["minute", "hour", "day"])
def test_sums_of_intervals(connection: sqlite3.Connection, tmp_path: Path, resolution: Any) -> None:
    """Mean, lowest, highest and number of samples of each closed interval, in either format; not to be brought back."""
    exporting.export(connection, tmp_path / "out.csv", 0, FOR_EVER, None, resolution)
    exporting.export(connection, tmp_path / "out.parquet", 0, FOR_EVER, None, resolution)
    known = {
        (name, t): row
        for t, name, *row in connection.execute(
            f"SELECT t, name, mean, low, high, n FROM {resolution} JOIN channel ON id = channel"
        )
    }
    packed = pq.read_table(tmp_path / "out.parquet").to_pylist()
    assert {
        (row["channel"], round(row["t"].timestamp() * 1000)): [row["mean"], row["low"], row["high"], row["n"]]
        for row in packed
    } == {key: list(row) for key, row in known.items()}
    table = list(csv.DictReader(io.StringIO((tmp_path / "out.csv").read_text(encoding="utf-8"))))
    first = table[0]
    mean, low, high, n = known["bank.house.voltage", FIRST]
    assert first["time [UTC]"] == "2024-01-02T00:00:00.000Z"
    assert [float(first[f"bank.house.voltage {what} [V]"]) for what in ("mean", "low", "high")] == [mean, low, high]
    assert int(first["bank.house.voltage n [count]"]) == n
    assert first["controller.cabin.stage most seen [text]"] == "off"
    # Heard once an hour, each word is known for a minute of it.
    hours = {"minute": (1, 0), "hour": (1, 0), "day": (12, 12)}[resolution]
    held = tuple(float(first[f"controller.cabin.stage {word} [s]"]) for word in ("off", "bulk"))
    assert held == tuple(60.0 * each for each in hours)
    for kind in ("csv", "parquet"):
        (brought,) = bring(tmp_path / "y.db", tmp_path / f"out.{kind}")
        assert brought.fault
        assert "can be brought back" in brought.fault


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("time [UTC],bank.house.volts [V]\r\n", "bank.house.volts"),
        ("time [UTC],bank.house.voltage [mV]\r\n", "is in mV there, and in V here"),
        ("time [UTC],Volts\r\n", "column 'Volts' is none of an export"),
        ('time [UTC],bank.house.voltage [V]\r\n2024-01-02T00:00:00Z,"12\r\n', "export it anew"),
    ],
)
def test_an_export_that_someone_has_changed(tmp_path: Path, text: str, fault: str) -> None:
    """A header that is not ours any more is refused with the column and what to do."""
    (tmp_path / "x.csv").write_bytes(text.encode())
    (brought,) = bring(tmp_path / "y.db", tmp_path / "x.csv")
    assert brought.fault
    assert fault in brought.fault


def test_cells_that_someone_has_changed_are_told(tmp_path: Path) -> None:
    """A cell that is no number and a row that has no time are rejected with their line; the others come in."""
    rows = [
        "time [UTC],bank.house.voltage [V]",
        "2024-01-02T00:00:00Z,twelve",
        "yesterday,12",
        "2024-01-02T00:01:00Z,12",
    ]
    (tmp_path / "x.csv").write_text("\r\n".join(rows) + "\r\n", encoding="utf-8")
    (brought,) = bring(tmp_path / "y.db", tmp_path / "x.csv")
    assert brought.kept.new == 1
    assert brought.kept.rejects == {"not a number": (1, 2), "no time": (1, 3)}


HEADER = "time [UTC],bank.house.voltage [V]\r\n"


@pytest.mark.parametrize(
    ("cells", "reason"),
    [
        ("2026-06-01T00:01:00.000Z,13.4", "no line end, and may be half written"),
        ("2026-06-01T00:01:00.000Z,nan\r\n", "not a number"),
        ("2026-06-01T00:01:00.000Z,-inf\r\n", "not a number"),
        ("2026-06-01T00:01:00.000Z,1_3.4\r\n", "not a number"),
        ("1970-01-01T00:01:00.000Z,13.4\r\n", "time not believed: before 1980 or after 2037"),
        ("2026-06-01T00:01:00.000Z,13.4,\r\n", "another number of cells than the header"),
    ],
)
def test_a_row_that_was_cut_or_changed_brings_no_value(tmp_path: Path, cells: str, reason: str) -> None:
    """A number that lacks its last digits looks like any other; so the row that has no line end is left out."""
    (tmp_path / "out.csv").write_text(f"{HEADER}2026-06-01T00:00:00.000Z,13.42\r\n{cells}", newline="")
    (brought,) = bring(tmp_path / "y.db", tmp_path / "out.csv")
    assert (brought.kept.new, brought.kept.rejects) == (1, {reason: (1, 3)})
    with closing(open_writer(tmp_path / "y.db")) as connection:
        assert connection.execute("SELECT value FROM sample").fetchall() == [(13.42,)]


@pytest.mark.parametrize("rows", [0, 1, 3_999, 4_000, 4_001, 8_000])
@pytest.mark.parametrize("end", ["\r\n", "\n", ""])
def test_exports_of_any_length_come_back_whole(tmp_path: Path, rows: int, end: str) -> None:
    """But for a last row without its line end, however the rows fall into pieces."""
    lines = [f"2026-06-01T{n // 3600:02}:{n // 60 % 60:02}:{n % 60:02}.000Z,{n}" for n in range(rows)]
    (tmp_path / "out.csv").write_text((end or "\n").join([HEADER.strip(), *lines]) + end, newline="")
    (brought,) = bring(tmp_path / "y.db", tmp_path / "out.csv")
    assert brought.kept.new == max(rows - (not end), 0)


def test_an_export_that_a_spreadsheet_has_saved_is_told(tmp_path: Path) -> None:
    """Semicolons and decimal commas: nothing is brought in, and that is said; so of a Parquet file that was cut."""
    (tmp_path / "out.csv").write_text("time [UTC];bank.house.voltage [V]\n2026-06-01T00:00:00.000Z;13,42\n")
    (tmp_path / "cut.parquet").write_bytes(b"PAR1" + bytes(500))
    told = [one.fault or "" for one in bring(tmp_path / "y.db", tmp_path / "out.csv", tmp_path / "cut.parquet")]
    assert "its columns are not apart by commas any more; export it anew" in told[0]
    assert "damaged or cut short, it cannot be read whole; export it anew" in told[1]


def test_what_cannot_be_exported_is_said(connection: sqlite3.Connection, tmp_path: Path) -> None:
    """A channel that is not there, and a file that is to be neither CSV nor Parquet."""
    with pytest.raises(UsageError, match=r"no channel bank\.x\.voltage; it holds bank\.house\.current"):
        exporting.export(connection, tmp_path / "out.csv", 0, FOR_EVER, ["bank.x.voltage"])
    with pytest.raises(UsageError, match=r"\.csv or \.parquet"):
        exporting.export(connection, tmp_path / "out.xlsx", 0, FOR_EVER)
    assert not list(tmp_path.glob("out*"))
