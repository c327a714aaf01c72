"""How fast history comes in, against bare SQLite in the same run, and whether memory stays flat.

    python -m tests.bench_import [--rows N] [--rounds N] [--million CELLS ...]

Prints cells to committed samples a second, rollups included, as a ratio to a bare ``executemany`` of the same
(t, channel, value) rows into the same table, and the peak memory of the command at two file sizes, 10 × apart. With
``--million 10 100`` files of so many million cells are brought in by the command itself, and for comparison put into
a table of text by the ``sqlite3`` shell and by ``sqlite-utils insert``, which make no samples of them.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from logger import rollup
from logger.decoders.csv_table import CsvTable
from logger.importing import bring_in
from logger.plan import Plan, SourcePlan
from logger.schema import prepare
from logger.store import open_writer, transaction
from tests.aboard.books import resident_mb
from tests.logger.histories import history
from tests.logger.histories import time as stamps
from tests.logger.plans import channel

CHANNELS = 8
START = datetime(2024, 1, 1, tzinfo=UTC)
NOW = 1_900_000_000_000
MOST_GENERAL = 10
"""sqlite-utils takes hours for more [million cells]."""


def plan_for(step_s: int, label: str) -> SourcePlan:
    interval = None if label == "instant" else step_s * 1000
    names = [channel(f"v{k}", f"array.a{k}.voltage", low=-1e6, high=1e6) for k in range(CHANNELS)]
    return history(stamps("time", label=label, interval_ms=interval), *names)


def write(path: Path, rows: int, step_s: int) -> None:
    values = ["," + ",".join(f"{(k * 7 + c * 13) % 1000 / 10}" for c in range(CHANNELS)) + "\n" for k in range(1000)]
    with path.open("w", encoding="ascii") as file:
        file.write("time," + ",".join(f"v{k}" for k in range(CHANNELS)) + "\n")
        for k in range(rows):
            stamp = str(START.replace(tzinfo=None) + timedelta(seconds=k * step_s))
            file.write(stamp + values[k % 1000])


def timed(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def bare(folder: Path, rows: int, step_s: int) -> float:
    """Seconds of a bare executemany of the same rows into the same table, one transaction."""
    path = folder / "bare.db"
    prepare(path)
    first = round(START.timestamp() * 1000)
    samples = [
        (first + k * step_s * 1000, c + 1, (k * 7 + c * 13) % 1000 / 10) for k in range(rows) for c in range(CHANNELS)
    ]
    with closing(open_writer(path)) as connection:

        def insert() -> None:
            with transaction(connection):
                connection.executemany("INSERT INTO sample (t, channel, value) VALUES (?, ?, ?)", samples)

        return timed(insert)


def decoded(file: Path, source: SourcePlan) -> float:
    """Seconds of reading the file into blocks, without a store."""

    def read() -> None:
        table = CsvTable(source, str(file))
        with file.open("rb") as data:
            while piece := data.read(1 << 18):
                table.feed(piece)
        table.finish()

    return timed(read)


def imported(folder: Path, file: Path, source: SourcePlan) -> tuple[float, float, float]:
    """Seconds of the import, of its part in the rollups, and of the same import again."""
    path = folder / "import.db"
    prepare(path)
    plan = Plan("", "hash", str(path), 30, (source,))
    spent = 0.0
    real = rollup.refresh

    def measured(*arguments: Any) -> None:
        nonlocal spent
        spent += timed(lambda: real(*arguments))

    rollup.refresh = measured
    try:
        with closing(open_writer(path)) as connection:
            first = timed(lambda: list(bring_in(connection, plan, [(file, source)], NOW)))
            rolled = spent
            return first, rolled, timed(lambda: list(bring_in(connection, plan, [(file, source)], NOW)))
    finally:
        rollup.refresh = real


def speed(rows: int, rounds: int) -> None:
    print(f"best of {rounds} rounds, samples a second; ratios to bare, with rollups and without their time")
    print(f"{'file':<24}{'bare':>12}{'import':>12}{'ratio':>8}{'without':>9}{'decode':>12}{'again':>12}")
    for name, step_s, label in (
        ("instants each second", 1, "instant"),
        ("instants each 10 s", 10, "instant"),
        ("means of a minute", 60, "start"),
        ("means of 15 minutes", 900, "start"),
    ):
        seen: list[tuple[float, ...]] = []
        for _ in range(rounds):
            with tempfile.TemporaryDirectory() as text:
                folder = Path(text)
                file, source = folder / "x.csv", plan_for(step_s, label)
                write(file, rows, step_s)
                first, rolled, again = imported(folder, file, source)
                seen.append((bare(folder, rows, step_s), first, first - rolled, decoded(file, source), again))
        reference, first, without, decoding, again = (min(column) for column in zip(*seen, strict=True))
        cells = rows * CHANNELS
        print(
            f"{name:<24}{cells / reference:>12,.0f}{cells / first:>12,.0f}{reference / first:>8.2f}"
            f"{reference / without:>9.2f}{cells / decoding:>12,.0f}{cells / again:>12,.0f}"
        )


CHILD = """
import json, sys
from contextlib import closing, suppress
from pathlib import Path
from logger.importing import bring_in
from logger.plan import Plan
from logger.store import open_writer

def peak():
    return next(int(line.split()[1]) / 1024 for line in open("/proc/self/status") if line.startswith("VmHWM"))

plan = Plan.from_json(sys.argv[1])
before = peak()
with closing(open_writer(Path(plan.store_path))) as connection:
    list(bring_in(connection, plan, [(Path(sys.argv[2]), plan.sources[0])], int(sys.argv[3])))
print(json.dumps([before, peak()]))
"""


def memory(rows: int) -> None:
    print("peak memory of the importing process [MB]")
    for count in (rows, rows * 10):
        with tempfile.TemporaryDirectory() as text:
            folder = Path(text)
            file, source = folder / "x.csv", plan_for(60, "start")
            write(file, count, 60)
            prepare(folder / "x.db")
            plan = Plan("", "hash", str(folder / "x.db"), 30, (source,))
            done = subprocess.run(
                [sys.executable, "-c", CHILD, plan.to_json(), str(file), str(NOW)],
                check=True,
                capture_output=True,
                text=True,
            )
            before, peak = json.loads(done.stdout)
            print(f"  {count:>9,} rows, {file.stat().st_size / 1e6:6.1f} MB: {before:5.1f} before, {peak:5.1f} at most")


SETTINGS = """
[site]
name = "Lapwing"
latitude = 47.58
longitude = -2.90
timezone = "Europe/Paris"
moored = "fixed"
[store]
path = "x.db"
[[source]]
name = "history"
kind = "csv"
path = "inbox/*.csv"
time = { field = "time", zone = "UTC" }
"""


def large(million: int) -> None:
    """One file through the command, and beside it through the general tools."""
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        write(folder / "x.csv", million * 1_000_000 // CHANNELS, 1)
        source = "".join(f'[[source.channel]]\nfield = "v{k}"\nchannel = "load.l{k}.power"\n' for k in range(CHANNELS))
        (folder / "noonmark.toml").write_text(SETTINGS + source, encoding="utf-8")
        size = (folder / "x.csv").stat().st_size / 1e6
        print(f"{million} million cells, instants each second, {size:,.0f} MB")
        ours = [sys.executable, "-m", "dashboard", "import", "x.csv"]
        shell = ["sqlite3", "shell.db", "-cmd", ".mode csv", ".import x.csv history"]
        general = [sys.executable, "-m", "sqlite_utils", "insert", "general.db", "history", "x.csv", "--csv"]
        for name, command in (("noonmark import", ours), ("sqlite3 .import", shell), ("sqlite-utils insert", general)):
            if shutil.which(command[0]) is None:
                print(f"  {name:<20} is not on this machine")
                continue
            if command is general and million > MOST_GENERAL:
                print(f"  {name:<20} is left to files of {MOST_GENERAL} million")
                continue
            seconds, memory = _watched(command, folder)
            quarter = [memory[len(memory) * k // 4] for k in (1, 2, 3)]
            print(
                f"  {name:<20}{million * 1e6 / seconds:>12,.0f} cells a second; resident "
                f"{', '.join(f'{mb:.0f}' for mb in quarter)} MB at the quarters, {max(memory):.0f} at most",
                flush=True,
            )


def _watched(command: list[str], folder: Path) -> tuple[float, list[float]]:
    """Seconds that a command takes, and its resident memory meanwhile [MB]."""
    memory = [0.0]
    began = time.perf_counter()
    process = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL)
    while process.poll() is None:
        with suppress(OSError):
            memory.append(resident_mb(process.pid))
        with suppress(subprocess.TimeoutExpired):
            process.wait(0.1)
    if process.returncode:
        raise SystemExit(f"{command} ended with {process.returncode}")
    return time.perf_counter() - began, memory


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--rows", type=int, default=60_000, help="rows of each file")
    arguments.add_argument("--rounds", type=int, default=3)
    arguments.add_argument("--million", type=int, nargs="+", default=[], help="cells of large files, in millions")
    given = arguments.parse_args()
    print(f"Python {sys.version.split()[0]}, SQLite {sqlite3.sqlite_version}, {CHANNELS} channels, {given.rows:,} rows")
    speed(given.rows, given.rounds)
    memory(given.rows // 2)
    for million in given.million:
        large(million)


if __name__ == "__main__":
    main()
