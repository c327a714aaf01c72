"""How long the assessment takes beside the bare chain of library calls, on a year of minutes of two arrays.

Run by hand: ``python -m tests.bench_assess [--days 365]``. Prints ratios; the bare chain is nrel_numpy position each
minute, Ineichen, Erbs, Hay-Davies twice, Faiman, PVWatts, and nothing else, in the same run on the same machine.
"""

from __future__ import annotations

import argparse
import datetime as dt
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib

from analysis.assess import assess
from analysis.frames import load
from analysis.judging import judge_days
from analysis.sun import DAY_MS
from analysis.wanted import wanted_channels
from logger.settings import Located
from logger.settings_file import read
from logger.store import HOUR_MS

YEAR_START = dt.datetime(2025, 1, 1, tzinfo=dt.UTC)


def bare_chain(days: int, located: Located) -> float:
    """Seconds of the bare chain over every minute of the days, two arrays."""
    site = located.settings.site
    times = pd.date_range(YEAR_START, periods=days * 1440, freq="min") + pd.Timedelta(seconds=30)
    began = time.perf_counter()
    sun = pvlib.solarposition.get_solarposition(times, site.latitude, site.longitude, method="nrel_numpy")
    airmass = pvlib.atmosphere.get_absolute_airmass(pvlib.atmosphere.get_relative_airmass(sun["apparent_zenith"]))
    extra = pvlib.irradiance.get_extra_radiation(times)
    sky = pvlib.clearsky.ineichen(sun["apparent_zenith"], airmass, 3.0, dni_extra=extra)
    split = pvlib.irradiance.erbs(sky["ghi"], sun["apparent_zenith"], times)
    for array in located.settings.array:
        diffuse = pvlib.irradiance.haydavies(
            array.tilt, array.azimuth, split["dhi"], split["dni"], extra, sun["apparent_zenith"], sun["azimuth"]
        )
        aoi = pvlib.irradiance.aoi(array.tilt, array.azimuth, sun["apparent_zenith"], sun["azimuth"])
        plane = np.maximum(split["dni"] * np.cos(np.radians(aoi)), 0) + diffuse
        cell = pvlib.temperature.faiman(plane, 15.0, 1.0)
        pvlib.pvsystem.pvwatts_dc(plane, cell, array.rated_w, array.module.temp_coeff_power / 100)
    return time.perf_counter() - began


def fill(folder: Path, days: int) -> Located:
    """A store that holds a fortnight of Lapwing's minutes again and again, from the first of January on."""
    history = [sys.executable, "-m", "fixtures.lapwing.history", str(folder), "--healthy"]
    subprocess.run(history, check=True, stdout=subprocess.DEVNULL)
    located = read(folder / "noonmark.toml")
    command = [sys.executable, "-m", "dashboard", "import", "history.csv", "--settings", "noonmark.toml"]
    subprocess.run(command, cwd=folder, check=True, stdout=subprocess.DEVNULL)
    with sqlite3.connect(located.store_path) as connection:
        rows = connection.execute("SELECT t, channel, mean, low, high, n FROM minute ORDER BY t, channel").fetchall()
        first = rows[0][0] // DAY_MS * DAY_MS
        # Thirteen whole days; the last one of the story ends at noon.
        rows = [row for row in rows if row[0] < first + 13 * DAY_MS]
        for table in ("sample", "minute", "hour", "day", "stale", "span", "mark"):
            connection.execute(f"DELETE FROM {table}")
        start = int(YEAR_START.timestamp() * 1000)
        for shift in range(0, days, 13):
            offset = start + shift * DAY_MS - first
            connection.executemany(
                "INSERT OR IGNORE INTO minute (t, channel, mean, low, high, n) VALUES (?, ?, ?, ?, ?, ?)",
                ((t + offset, *rest) for t, *rest in rows if t + offset < start + days * DAY_MS),
            )
        connection.executemany(
            "INSERT INTO stale (hour, seq) VALUES (?, 1)", ((start + h * 3_600_000,) for h in range(days * 24))
        )
        connection.execute(
            "INSERT INTO sample (t, channel, value) SELECT t, channel, mean FROM minute ORDER BY t LIMIT 1"
        )
    return located


def run(days: int) -> dict[str, float]:
    """The figures, by name."""
    with tempfile.TemporaryDirectory() as name:
        located = fill(Path(name), days)
        bare_chain(min(days, 3), located)  # imports and tables, out of the measurement
        bare = bare_chain(days, located)
        connection = sqlite3.connect(located.store_path)
        first = YEAR_START.date()
        record = (int(YEAR_START.timestamp() * 1000), int(YEAR_START.timestamp() * 1000) + days * DAY_MS)
        covered = {a.name: False for a in located.settings.array}
        longitude = located.settings.site.longitude
        reading = 0.0
        began = time.perf_counter()
        for shift in range(0, days, 10):
            dates = [first + dt.timedelta(d) for d in range(shift, min(shift + 10, days))]
            reading += _reading(connection, located, record[0] + shift * DAY_MS, len(dates))
            judge_days(connection, located.settings, located.hash, dates, covered, record, longitude)
        frames = time.perf_counter() - began - 2 * reading
        connection.close()
        began = time.perf_counter()
        done = assess(located)
        whole = time.perf_counter() - began
        with sqlite3.connect(located.store_path) as connection:
            connection.execute("INSERT INTO stale (hour, seq) VALUES (?, 1)", (record[1] - 12 * 3_600_000,))
        command = [sys.executable, "-m", "dashboard", "assess", "--json", "--settings", str(located.path)]
        began = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        one_more = time.perf_counter() - began
    return {
        "days": len(done),
        "bare_s": bare,
        "frames_to_results": frames / bare,
        "store_to_store": whole / bare,
        "one_more_day_s": one_more,
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def _reading(connection: sqlite3.Connection, located: Located, start: int, days: int) -> float:
    """Seconds that reading the frames of a piece takes, measured apart."""
    began = time.perf_counter()
    windows = [(start + d * DAY_MS + 5 * HOUR_MS, start + d * DAY_MS + 22 * HOUR_MS) for d in range(days)]
    load(
        connection,
        start,
        start + days * DAY_MS,
        windows,
        wanted_channels(located.settings),
        ["bank.house.voltage", "bank.house.current"],
    )
    return time.perf_counter() - began


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=365)
    figures = run(parser.parse_args().days)
    print(f"{figures['days']:.0f} days of minutes, 2 arrays; bare chain {figures['bare_s']:.2f} s")
    print(f"frames to results  {figures['frames_to_results']:.2f} × bare (wanted ≤ 2)")
    print(f"store to store     {figures['store_to_store']:.2f} × bare (wanted ≤ 4)")
    print(f"one more day       {figures['one_more_day_s']:.2f} s with imports (wanted ≤ 3)")
    print(f"peak memory        {figures['peak_mb']:.0f} MB (wanted ≤ 500)")


if __name__ == "__main__":
    main()
