"""The import command on real files: measured data and typical years that no one here made."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pvanalytics
import pvlib
import pytest

MEASURED = Path(pvanalytics.__file__).parent / "data"
TYPICAL = Path(pvlib.__file__).parent / "data"

SITE = """
[site]
name = "Lapwing"
latitude = 47.58
longitude = -2.90
timezone = "Europe/Paris"
moored = "fixed"
[store]
path = "lapwing.db"
[[array]]
name = "cabin"
modules_in_series = 1
strings_in_parallel = 1
tilt = 3
azimuth = 180
module = { power = 5978 }
"""


def source(name: str, time: str, channels: dict[str, str], more: str = "") -> str:
    """A csv source; channels maps a field as written to a channel, with its unit after a blank."""
    lines = [f'[[source]]\nname = "{name}"\nkind = "csv"\npath = "inbox/*.csv"\ntime = {time}\n{more}']
    for field, channel in channels.items():
        name, _, unit = channel.partition(" ")
        lines.append(
            f'[[source.channel]]\nfield = {field}\nchannel = "{name}"' + (f'\nunit = "{unit}"' if unit else "")
        )
    return "\n".join(lines) + "\n"


POLES = source(
    "poles",
    '{ field = 1, zone = "UTC-7", label = "start", interval_s = 900 }',
    {
        '"poa_irradiance__771"': "irradiance.cabin.plane",
        '"dc_power__772"': "array.cabin.power kW",
        '["module_temp_1__781", "module_temp_2__782", "module_temp_3__783"]': "array.cabin.module_temperature",
        '"ambient_temp__780"': "air.outside.temperature",
    },
)
YEAR = source(
    "typical year",
    '{ date = "Date (MM/DD/YYYY)", clock = "Time (HH:MM)", zone = "-09:00", label = "end", interval_s = 3600, '
    "year = 2026 }",
    {'"GHI (W/m^2)"': "irradiance.horizontal.global", '"Dry-bulb (C)"': "air.outside.temperature"},
    "skip_rows = 1",
)


@dataclass
class Ran:
    status: int
    out: str
    err: str


class Folder:
    """A folder with a settings file, and the real command in it."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def settings(self, *sources: str) -> None:
        (self.path / "noonmark.toml").write_text(SITE + "".join(sources), encoding="utf-8")

    def run(self, *arguments: str | Path) -> Ran:
        done = subprocess.run(
            [sys.executable, "-m", "dashboard", "import", *map(str, arguments)],
            cwd=self.path,
            capture_output=True,
            text=True,
            check=False,
        )
        return Ran(done.returncode, done.stdout, done.stderr)

    def json(self, *arguments: str | Path) -> list[dict[str, object]]:
        ran = self.run(*arguments, "--json")
        assert ran.status == 0, ran.err
        files: list[dict[str, object]] = json.loads(ran.out)["files"]
        return files

    def ask(self, query: str) -> list[tuple[object, ...]]:
        with closing(sqlite3.connect(self.path / "lapwing.db")) as connection:
            return connection.execute(query).fetchall()


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    return Folder(tmp_path)


def test_five_measured_days(folder: Folder) -> None:
    """The 15-minute file comes in whole, at the times it says, and a second time changes nothing.

    serf_west_15min.csv of pvanalytics: an empty first header cell, local stamps seven hours behind UTC, a minute
    past each quarter hour. The first row reads 2022-01-02 00:01:00, plane irradiance -1.9775, air -5.7296, module
    temperatures -6.4187, -6.4798, -6.8845.
    """
    folder.settings(POLES, YEAR)
    file = MEASURED / "serf_west_15min.csv"
    (first,) = folder.json(file)
    assert (first["source"], first["rows"], first["new"], first["rejects"]) == ("poles", 480, 1920, [])
    assert (first["from"], first["to"]) == ("2022-01-02T07:01:00Z", "2022-01-07T06:46:00Z")
    (second,) = folder.json(file)
    assert (second["new"], second["unchanged"], second["superseded"]) == (0, 1920, 0)
    t = round(datetime(2022, 1, 2, 7, 1, tzinfo=UTC).timestamp() * 1000)
    row = dict(folder.ask(f"SELECT name, value FROM sample JOIN channel ON id = channel WHERE t = {t}"))
    assert row["irradiance.cabin.plane"] == -1.9775
    assert row["array.cabin.module_temperature"] == pytest.approx((-6.4187 - 6.4798 - 6.8845) / 3)
    assert folder.ask("SELECT DISTINCT start, stop, interval_ms FROM span") == [(t, t + 480 * 900_000, 900_000)]
    assert folder.ask("SELECT start FROM settings") == [(t,)]
    assert folder.ask("SELECT count(*) FROM minute") == [(0,)]
    # The hour 19:00 UTC of 4 January holds the quarters from 18:46 to 19:46, weighed by the time that each covers.
    noon = round(datetime(2022, 1, 4, 19, tzinfo=UTC).timestamp() * 1000)
    where = "channel = (SELECT id FROM channel WHERE name = 'irradiance.cabin.plane')"
    quarters = folder.ask(
        f"SELECT t, value FROM sample WHERE {where} AND t > {noon - 900_000} AND t < {noon + 3_600_000}"
    )
    parts = [(min(t + 900_000, noon + 3_600_000) - max(t, noon), v) for t, v in quarters]  # type: ignore[operator,type-var]
    ((mean,),) = folder.ask(f"SELECT mean FROM hour WHERE {where} AND t = {noon}")
    assert mean == pytest.approx(sum(w * v for w, v in parts) / 3_600_000)  # type: ignore[operator,misc]


@pytest.mark.parametrize(
    ("name", "total_kwh", "mean_air"), [("703165TY.csv", 829.243, 4.42), ("723170TYA.CSV", 1566.203, 14.42)]
)
def test_typical_years(folder: Folder, name: str, total_kwh: float, mean_air: float) -> None:
    """The two TMY3 files of pvlib come to the annual sums and mean air temperatures that pvlib reads in them.

    The first line is about the station, the second the header; stamps end their hour, 24:00 among them; months come
    from several years, all put on 2026.
    """
    folder.settings(YEAR, POLES)
    (found,) = folder.json(TYPICAL / name)
    assert (found["rows"], found["new"], found["rejects"], found["source"]) == (8760, 17_520, [], "typical year")
    assert (found["from"], found["to"]) == ("2026-01-01T09:00:00Z", "2027-01-01T08:00:00Z")
    data, _ = pvlib.iotools.read_tmy3(TYPICAL / name, map_variables=True)
    sums = "SELECT sum(value), avg(value) FROM sample JOIN channel ON id = channel WHERE name = '{}'"
    ((ghi, _),) = folder.ask(sums.format("irradiance.horizontal.global"))
    ((_, air),) = folder.ask(sums.format("air.outside.temperature"))
    assert ghi == pytest.approx(data["ghi"].sum())
    assert ghi == pytest.approx(total_kwh * 1000, rel=1e-6)
    assert air == pytest.approx(mean_air, abs=0.005)


MONTHLY_KWH = {
    "703165TY.csv": (18.08, 29.33, 57.43, 91.75, 101.63, 114.19, 155.14, 83.81, 91.22, 50.03, 22.30, 14.33),
    "723170TYA.CSV": (74.85, 85.75, 131.77, 162.30, 174.72, 187.53, 188.58, 174.05, 132.81, 111.26, 73.04, 69.53),
}


@pytest.mark.parametrize("name", MONTHLY_KWH)
def test_months_of_typical_years(folder: Folder, name: str) -> None:
    """Each month's global light [kWh/m²], by the calendar of the source's own zone. Source: pvlib's TMY3 files, summed.

    A stamp that ends its hour belongs to the hour before it: the midnight of the first is the old month's.
    """
    folder.settings(YEAR, POLES)
    folder.json(TYPICAL / name)
    rows = folder.ask(
        "SELECT strftime('%m', t / 1000 - 9 * 3600, 'unixepoch') AS month, sum(value) / 1000.0 FROM sample "
        "JOIN channel ON id = channel WHERE name = 'irradiance.horizontal.global' GROUP BY month ORDER BY month"
    )
    assert [kwh for _, kwh in rows] == pytest.approx(MONTHLY_KWH[name], abs=0.0051)


LOCAL = '{{ field = {}, zone = "UTC-7"{} }}'
MONTH_FIRST = ', format = "%m/%d/%Y %H:%M"'
NEIGHBOURS = [
    ("ac_power_inv_2173.csv", LOCAL.format('"timestamp"', ""), {'"value_normalized"': "array.cabin.power"}),
    ("ac_power_inv_7539.csv", LOCAL.format('"timestamp"', ""), {'"value_normalized"': "array.cabin.power"}),
    ("midc_bms_ghi_20220120.csv", LOCAL.format("1", ""), {"2": "irradiance.horizontal.global"}),
    ("nrel_1axis_tracker_mesa_ac_power.csv", LOCAL.format('"measured_on"', ""), {'"ac_power"': "array.cabin.power kW"}),
    ("serf_east_15min_ac_power.csv", LOCAL.format('"measured_on"', ""), {'"ac_power"': "array.cabin.power"}),
    ("serf_east_1min_ac_power.csv", LOCAL.format('"measured_on"', ""), {'"ac_power__752"': "array.cabin.power"}),
    ("nrel_RSF_II.csv", LOCAL.format("1", MONTH_FIRST), {'"inv2_dc_power__1135"': "array.cabin.power"}),
    ("rmis_weather_data.csv", LOCAL.format("1", MONTH_FIRST), {'"Plane of array"': "irradiance.cabin.plane"}),
    ("irradiance_RMIS_NREL.csv", LOCAL.format("1", MONTH_FIRST), {'"irradiance_poa__7984"': "irradiance.cabin.plane"}),
    ("snow_data.csv", LOCAL.format('"Timestamp"', MONTH_FIRST), {'"POA [W/m²]"': "irradiance.cabin.plane"}),
    ("pvlib_data_shift.csv", LOCAL.format('"timestamp"', ""), {'"value"': "array.cabin.power"}),
    ("serf_east_psm3_data.csv", LOCAL.format('"measured_on"', ""), {'"ghi"': "irradiance.horizontal.global"}),
]


@pytest.mark.parametrize(("name", "time", "channels"), NEIGHBOURS, ids=[name for name, _, _ in NEIGHBOURS])
def test_other_measured_files(folder: Folder, name: str, time: str, channels: dict[str, str]) -> None:
    """Every table of pvanalytics comes in with no reject; pandas counts the same numbers in it.

    Where no day after the twelfth shows that the month stands first, the settings must say so.
    """
    import pandas as pd  # noqa: PLC0415 - heavy, and for this check alone

    folder.settings(source("it", time, channels))
    (found,) = folder.json(MEASURED / name)
    (field,) = channels
    table = pd.read_csv(MEASURED / name)
    column = table.iloc[:, int(field) - 1] if field.isdigit() else table[field.strip('"')]
    stamps = table.iloc[:, 0]
    unlike = pd.DataFrame({"t": stamps, "v": column}).dropna()
    assert found["rejects"] == []
    assert found["rows"] == len(table)
    assert found["new"] == unlike["t"].nunique()


NO_TABLES = [
    (Path(pvlib.__file__).parent / "data" / "12839.tm2", "A file of fixed places is no CSV"),
    (Path(pvlib.__file__).parent / "data" / "Altitude.h5", "it is HDF5 or netCDF"),
    (MEASURED / "system_4_module_temperature.parquet", "was not written by Noonmark; save it as CSV"),
]


@pytest.mark.parametrize(("path", "said"), NO_TABLES, ids=[path.name for path, _ in NO_TABLES])
def test_files_that_are_no_csv_are_told_what_they_are(folder: Folder, path: Path, said: str) -> None:
    """A typical year in fixed places (TMY2), arrays in binary, somebody else's Parquet: named, and nothing is kept."""
    folder.settings(source("it", LOCAL.format("1", ""), {"2": "irradiance.horizontal.global"}))
    ran = folder.run(path)
    assert ran.status in (1, 2)
    assert str(path) in ran.err
    assert said in ran.err


def test_exit_statuses_and_messages(folder: Folder) -> None:
    """Usage and settings end with 2, a bad file with 1 after the good ones came in, and each says what to do."""
    assert folder.run("x.csv").status == 2
    folder.settings(POLES, YEAR)
    good = folder.path / "good.csv"
    shutil.copy(MEASURED / "serf_west_15min.csv", good)
    (folder.path / "strange.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    ran = folder.run("strange.csv")
    assert (ran.status, ran.out) == (2, "")
    assert "no source fits; csv sources: 'poles', 'typical year'" in ran.err
    assert "its columns are 'a', 'b'" in ran.err
    ran = folder.run(good, "--source", "pole")
    assert ran.status == 2
    assert "no csv source has the name 'pole'; csv sources: 'poles', 'typical year'" in ran.err
    assert not (folder.path / "lapwing.db").exists()
    ran = folder.run("missing.csv", "strange.csv", good, "--source", "poles")
    assert ran.status == 1
    assert "missing.csv: cannot be read (No such file or directory)" in ran.err
    assert "strange.csv, line 1: has no column 'ambient_temp__780'" in ran.err
    assert "good.csv: source 'poles', 480 rows, 1920 samples new, 0 unchanged, 0 superseded" in ran.out
    os.mkfifo(folder.path / "pipe")
    ran = folder.run("pipe")
    assert (ran.status, ran.out) == (2, "")
    assert "pipe: is a pipe or a device, which can be read once; save what comes to a file first" in ran.err
    folder.settings(POLES, POLES.replace('"poles"', '"again"'))
    ran = folder.run(good)
    assert (
        ran.status,
        "several sources fit, csv sources: 'poles', 'again'; say which with --source NAME" in ran.err,
    ) == (
        2,
        True,
    )


def test_the_summary_says_what_was_not_kept(folder: Folder) -> None:
    """One line a file: rows, samples, marks, each kind of reject with its first line, the open last line."""
    plan = source("log", '{ field = "t" }', {'"v"': "array.cabin.voltage"})
    folder.settings(plan)
    file = folder.path / "log.csv"
    file.write_bytes(
        b"t,v\n2024-06-01 12:00,35\n2024-06-01 12:01\nnoon,1\nlate,1\n2024-06-01 12:02,9999\n2024-06-01 12:03,3"
    )
    ran = folder.run(file)
    assert ran.out == (
        f"{file}: source 'log', 5 rows, 2 samples new, 0 unchanged, 0 superseded; 1 marked; "
        "1 rejected: record too short (first in line 3); 2 rejected: time not understood (first in line 4); "
        "last line held back: it has no line end and may be half written\n"
    )
    file.write_bytes(b"t,v\n2024-06-01 12:00,36\n")
    assert "0 samples new, 0 unchanged, 1 superseded" in folder.run(file).out
    assert [row[0] for row in folder.ask("SELECT raw FROM reject WHERE reason = 'superseded'")] == [
        b"array.cabin.voltage = 35.0"
    ]
    file.write_bytes(b"t,v\nnoon,1\n")
    ran = folder.run(file)
    assert ran.status == 2
    ran = folder.run(file, "--source", "log")
    assert (ran.status, ran.out) == (1, "")
    assert "line 2: time not understood; none of its 1 rows could be read. Mend time" in ran.err


def test_settings_are_kept_from_the_first_sample_on(folder: Folder) -> None:
    """The first kept settings hold from the earliest imported sample, also when older history comes later."""
    folder.settings(source("log", '{ field = "t" }', {'"v"': "array.cabin.voltage"}))
    for day in ("2024-06-02", "2024-06-01"):
        (folder.path / f"{day}.csv").write_text(f"t,v\n{day} 12:00,35\n", encoding="utf-8")
        folder.run(f"{day}.csv")
    first = round(datetime(2024, 6, 1, 12, tzinfo=UTC).timestamp() * 1000)
    assert folder.ask("SELECT start, stop FROM settings") == [(first, None)]
