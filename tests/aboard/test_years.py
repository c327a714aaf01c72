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
DAYS = "SELECT count(*), min(value) FROM sample GROUP BY (t - 7 * 3600000) / 86400000"
FAR_OFF = """WITH known AS (SELECT avg(value) AS mean, avg(value * value) AS square FROM sample)
SELECT count(*) FROM sample, known WHERE (value - mean) * (value - mean) > 16 * (square - mean * mean)"""
REPEATS = """SELECT count(*) FROM (
  SELECT t - lag(t) OVER w AS step, round(value, 2) - lag(round(value, 2)) OVER w AS moved FROM sample
  WINDOW w AS (ORDER BY t)) WHERE step = 900000 AND moved = 0"""
NOW = 1_700_000_000_000  # after it
QUARTERS = source(
    "plane",
    '{ field = "measured_on", zone = "UTC-7", label = "start", interval_s = 900 }',
    {'"poa_irradiance__484"': CHANNEL},
)


MODULE = source(
    "module",
    '{ field = "index", zone = "UTC-7", label = "start", interval_s = 900 }',
    {'"module_temp_1"': "array.cabin.module_temperature"},
)


def bring(path: Path, *files: Path, mapped: str = QUARTERS) -> WritingConnection:
    """Import into a store beside a settings file; the connection stays open."""
    path.parent.mkdir(exist_ok=True)
    (path.parent / "noonmark.toml").write_text(SITE + mapped, encoding="utf-8")
    ours = plan(read(path.parent / "noonmark.toml"))
    prepare(path)
    connection = open_writer(path)
    (brought,) = bring_in(connection, ours, choose(ours, list(files)), NOW)
    assert not brought.fault
    assert not brought.kept.rejects
    return connection


def _count(connection: sqlite3.Connection, query: str) -> int:
    (found,) = connection.execute(query).fetchone()
    return int(found)


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
        over = {
            limit: _count(connection, f"SELECT count(*) FROM sample WHERE value > {limit}") for limit in (1300, 1500)
        }
        assert over == {1300: 2_406, 1500: 2_310}
        assert _count(connection, "SELECT count(*) FROM sample WHERE value < 0") == 0
        assert (values.max(), _count(connection, FAR_OFF)) == (pytest.approx(5627, abs=0.5), 1_821)
        # Of the 1,725 dates of the file: 1,405 whole, 60 with less than a quarter beside 58 without a value.
        days = list(connection.execute(DAYS))
        assert 1_725 - len(days) == 58
        assert sum(n == 96 for n, _ in days) == 1_405
        assert sum(n < 24 for n, _ in days) == 118 - 58
        assert sum(least > 50 for _, least in days) == 47
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


def test_years_of_a_measured_module(tmp_path: Path) -> None:
    """PVDAQ system 4 (from pvanalytics): 140,256 rows of 2015 to 2018, 9,421 empty, cut off below 0.0 °C.

    To two decimals 48,422 rows repeat the one before, and all are kept: what a file repeats is the file's own word.
    """
    table = pd.read_parquet(FILE.with_name("system_4_module_temperature.parquet"))
    table["index"] = table["index"].dt.strftime("%Y-%m-%d %H:%M:%S")
    table.to_csv(tmp_path / "module.csv", index=False)
    with closing(bring(tmp_path / "a" / "lapwing.db", tmp_path / "module.csv", mapped=MODULE)) as connection:
        extremes = connection.execute("SELECT count(*), min(value), max(value) FROM sample").fetchone()
        assert extremes == (140_256 - 9_421, 0.0, pytest.approx(65.38, abs=0.005))
        assert _count(connection, REPEATS) == 48_422
        assert _count(connection, "SELECT count(*) FROM mark") == 0
