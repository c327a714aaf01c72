"""Whether memory stays flat while a file of many million cells comes in, and what other ways make of the same file.

    python -m tests.bench_import_long [--cells N ...] [--others N] [--folder FOLDER]

For each size a CSV of eight channels each 10 s is brought in by the import in a process of its own, whose memory is
sampled ten times a second: what it held in each tenth of the run is printed. Beside it a bare ``executemany`` of the
same rows, and, up to ``--others`` cells, the ``.import`` of the sqlite3 shell and ``sqlite-utils insert``. Those two
make a table as wide as the file, with text for times: they judge nothing, mark nothing and sum nothing.
"""

from __future__ import annotations

import argparse
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from logger.plan import Plan
from logger.schema import prepare
from logger.store import open_writer, transaction
from tests.bench_import import CHANNELS, NOW, START, plan_for

STEP_S = 10
ROWS_A_DAY = 86_400 // STEP_S
CYCLE = 1_000
ROWS_AT_ONCE = 50_000

CHILD = """
import sys
from contextlib import closing
from pathlib import Path
from logger.importing import bring_in
from logger.plan import Plan
from logger.store import open_writer

plan = Plan.from_json(sys.argv[1])
with closing(open_writer(Path(plan.store_path))) as connection:
    for brought in bring_in(connection, plan, [(Path(sys.argv[2]), plan.sources[0])], int(sys.argv[3])):
        print(brought.fault or brought.kept.new)
"""


@dataclass(frozen=True, slots=True)
class Watched:
    """A process from its start to its end.

    Attributes
    ----------
    seconds : float
    resident : list of float
        Memory [MB], in equal steps of time.
    said : str
        What it printed.
    """

    seconds: float
    resident: list[float]
    said: str

    def tenths(self) -> list[float]:
        """The most that it held in each tenth of its time [MB]."""
        count = len(self.resident)
        return [max(self.resident[count * k // 10 : count * (k + 1) // 10] or [0.0]) for k in range(10)]


def write(path: Path, rows: int) -> None:
    """The file: values with one decimal that repeat each thousand rows, a row each 10 s."""
    clocks = [time.strftime("%H:%M:%S", time.gmtime(k * STEP_S)) for k in range(ROWS_A_DAY)]
    ends = ["," + ",".join(str(value(k, c)) for c in range(CHANNELS)) + "\n" for k in range(CYCLE)]
    first = int(START.timestamp())
    with path.open("w", encoding="ascii") as file:
        file.write("time," + ",".join(f"v{k}" for k in range(CHANNELS)) + "\n")
        for day in range(-(-rows // ROWS_A_DAY)):
            date = time.strftime("%Y-%m-%d ", time.gmtime(first + day * 86_400))
            begin = day * ROWS_A_DAY
            file.write(
                "".join(date + clocks[k - begin] + ends[k % CYCLE] for k in range(begin, min(begin + ROWS_A_DAY, rows)))
            )


def value(row: int, channel: int) -> float:
    """What a cell of the file says."""
    return (row * 7 + channel * 13) % CYCLE / 10


def watched(command: Sequence[str]) -> Watched:
    """Run a command and look at its memory ten times a second."""
    began = time.perf_counter()
    resident: list[float] = []
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as process:
        while process.poll() is None:
            resident.append(_resident(process.pid))
            time.sleep(0.1)
        said = process.stdout.read() if process.stdout else ""
    if process.returncode:
        raise SystemExit(f"{command[0]} ended with {process.returncode}: {said}")
    return Watched(time.perf_counter() - began, resident, said.strip())


def _resident(pid: int) -> float:
    try:
        lines = Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines()
    except (FileNotFoundError, ProcessLookupError):
        return 0.0
    return next((int(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS")), 0.0)


def imported(folder: Path, file: Path) -> Watched:
    """The file by our own import, rollups and all."""
    store = folder / "import.db"
    prepare(store)
    plan = Plan("", "hash", str(store), 30, (plan_for(STEP_S, "instant"),))
    return watched([sys.executable, "-c", CHILD, plan.to_json(), str(file), str(NOW)])


def bare(folder: Path, rows: int) -> float:
    """Seconds that ``executemany`` takes for the same samples; making the rows is not counted."""
    store, spent = folder / "bare.db", 0.0
    prepare(store)
    with closing(open_writer(store)) as connection:
        for piece in _pieces(rows):
            began = time.perf_counter()
            with transaction(connection):
                connection.executemany("INSERT INTO sample (t, channel, value) VALUES (?, ?, ?)", piece)
            spent += time.perf_counter() - began
    return spent


def _pieces(rows: int) -> Iterator[list[tuple[int, int, float]]]:
    first = round(START.timestamp() * 1000)
    for begin in range(0, rows, ROWS_AT_ONCE):
        yield [
            (first + k * STEP_S * 1000, c + 1, value(k, c))
            for k in range(begin, min(begin + ROWS_AT_ONCE, rows))
            for c in range(CHANNELS)
        ]


def others(folder: Path, file: Path) -> Iterator[tuple[str, Watched]]:
    """The same file by the sqlite3 shell and by sqlite-utils, where they are there."""
    if shell := shutil.which("sqlite3"):
        yield "sqlite3 .import", watched([shell, str(folder / "shell.db"), f".import --csv {file} history"])
    command = [sys.executable, "-m", "sqlite_utils", "insert", str(folder / "utils.db"), "history", str(file)]
    yield "sqlite-utils insert", watched([*command, "--csv", "--silent"])


def rows_in(store: Path, table: str) -> int:
    """How many rows a table holds."""
    with closing(sqlite3.connect(store)) as connection:
        return int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def run(folder: Path, cells: int, others_too: bool) -> Iterator[tuple[str, float, list[float]]]:
    """Each way: its name, cells a second, and memory by tenths of the run [MB]."""
    rows = cells // CHANNELS
    file = folder / "long.csv"
    write(file, rows)
    said = imported(folder, file)
    if said.said != str(rows * CHANNELS):
        raise SystemExit(f"{rows * CHANNELS} cells went in, and the import says {said.said}")
    yield "import", cells / said.seconds, said.tenths()
    (folder / "import.db").unlink()
    yield "bare executemany", cells / bare(folder, rows), []
    (folder / "bare.db").unlink()
    if others_too:
        for name, way in others(folder, file):
            yield name, cells / way.seconds, way.tenths()
        for store in ("shell.db", "utils.db"):
            if (folder / store).exists() and rows_in(folder / store, "history") != rows:
                raise SystemExit(f"{store} does not hold {rows} rows")


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--cells", type=int, nargs="+", default=[10_000_000])
    arguments.add_argument("--others", type=int, default=10_000_000, help="the most cells for the other ways")
    arguments.add_argument("--folder", type=Path, help="where the files lie for so long")
    given = arguments.parse_args()
    for cells in given.cells:
        print(f"{cells:,} cells")
        rates = {}
        with tempfile.TemporaryDirectory(dir=given.folder) as folder:
            for name, rate, tenths in run(Path(folder), cells, others_too=cells <= given.others):
                rates[name] = rate
                memory = " ".join(f"{held:.0f}" for held in tenths)
                print(f"  {name:<22}{rate:>10,.0f} cells/s{'; MB by tenths: ' + memory if memory else ''}", flush=True)
        print(f"  ratio of the import to bare executemany: {rates['import'] / rates['bare executemany']:.2f}")


if __name__ == "__main__":
    main()
