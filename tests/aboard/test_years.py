"""Years of measured light through the whole record: in from a file, rolled up, sealed, taken out and brought back."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pvanalytics
import pytest

from logger import exporting, reading
from logger.archive import Archive
from logger.importing import bring_in, choose
from logger.rows import Rows
from logger.schema import prepare
from logger.sealed import DAY_MS, at_work
from logger.settings_file import plan, read
from logger.store import WritingConnection, open_writer

from .test_import import SITE, source

FILE = Path(pvanalytics.__file__).parent / "data" / "system_15_poa_irradiance.parquet"
CHANNEL = "irradiance.cabin.plane"
FOR_EVER = 1 << 52
NOW = 1_700_000_000_000  # after it
QUARTERS = source(
    "plane",
    '{ field = "measured_on", zone = "UTC-7", label = "start", interval_s = 900 }',
    {'"poa_irradiance__484"': CHANNEL},
)


def bring(path: Path, *files: Path) -> WritingConnection:
    """Import into a store beside a settings file; the connection stays open."""
    path.parent.mkdir(exist_ok=True)
    (path.parent / "noonmark.toml").write_text(SITE + QUARTERS, encoding="utf-8")
    ours = plan(read(path.parent / "noonmark.toml"))
    prepare(path)
    connection = open_writer(path)
    (brought,) = bring_in(connection, ours, choose(ours, list(files)), NOW)
    assert not brought.fault
    assert not brought.kept.rejects
    return connection


def everything(connection: sqlite3.Connection) -> tuple[Rows, list[tuple[object, ...]]]:
    queries = (
        "SELECT start, stop, interval_ms, label FROM span ORDER BY start",
        "SELECT t, reason FROM mark ORDER BY t, reason",
        "SELECT t, mean, low, high, n FROM hour ORDER BY t",
        "SELECT t, mean, low, high, n FROM day ORDER BY t",
    )
    told = [row for query in queries for row in connection.execute(query)]
    return reading.rows(connection, "sample", 0, FOR_EVER), told


def test_years_of_measured_quarter_hours(tmp_path: Path) -> None:
    """PVDAQ system 15 (NREL, OEDI submission 4568, from pvanalytics): 165,588 rows from 2019 to 2023.

    13,360 are empty and 2,079 lie over 2,000 W/m², up to 5,627: those are kept and marked, and no rollup counts them.
    """
    table = pd.read_parquet(FILE)
    table["measured_on"] = table["measured_on"].dt.strftime("%Y-%m-%d %H:%M:%S")
    table.to_csv(tmp_path / "plane.csv", index=False)
    values = pd.read_csv(tmp_path / "plane.csv")["poa_irradiance__484"].dropna().to_numpy()
    with closing(bring(tmp_path / "a" / "lapwing.db", tmp_path / "plane.csv")) as connection:
        samples, told = everything(connection)
        assert len(table) - len(samples) == 13_360
        assert samples.values[0].tolist() == values.tolist()
        (marked,) = connection.execute("SELECT count(*) FROM mark WHERE reason = 'out of range'").fetchone()
        assert marked == (values > 2000).sum() == 2_079
        plausible = values[values <= 2000]
        counted, most = connection.execute("SELECT sum(n), max(high) FROM day").fetchone()
        assert (counted, most) == (len(plausible), plausible.max())
        # Quarter-hours are never cut by an hour: its mean times the quarters it covers is their sum.
        (total,) = connection.execute("SELECT sum(mean * n) FROM hour").fetchone()
        assert total == pytest.approx(plausible.sum(), rel=1e-12)
        assert connection.execute("SELECT count(*) FROM minute").fetchone() == (0,)

        with at_work(tmp_path / "a" / "lapwing.db"):
            done = Archive(connection).seal(14, int(samples.t[0]) + 75 * DAY_MS)
        assert len(done.days) > 40
        after, still = everything(connection)
        assert after.same(samples)
        assert still == told
        exporting.export(connection, tmp_path / "out.parquet", 0, FOR_EVER)
    with closing(bring(tmp_path / "b" / "lapwing.db", tmp_path / "out.parquet")) as connection:
        again, the_same = everything(connection)
    assert np.array_equal(again.t, samples.t)
    assert np.array_equal(again.values, samples.values)
    assert the_same == told
