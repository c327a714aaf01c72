"""What a real logger costs at 50 channels each second from a pseudo-terminal, against the figures to reach.

    python -m tests.bench_logger [--seconds N] [--flush S]

Resident memory, share of a core and bytes written come from the kernel's own books of the process. Bytes count from the
first commit on, and take in the copying of the write-ahead log into the store, which SQLite does once in a thousand
pages and at the end. At the default flush interval that last copying weighs too much in a run under half an hour.
"""

from __future__ import annotations

import argparse
import os
import random
import re
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import tty
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from logger.plan import ChannelPlan, Plan, SourcePlan
from logger.schema import prepare

CHANNELS = 50
MOST_MB, MOST_PERCENT, MOST_BYTES = 30.0, 1.0, 90.0


@dataclass(frozen=True)
class Cost:
    """What the kernel counted."""

    samples: int
    resident_mb: float
    core_percent: float
    bytes_a_sample: float
    log_bytes_a_sample: float  # of them, what was written before the last copying


def plan(store: Path, port: str, flush_s: float) -> Plan:
    channels = tuple(ChannelPlan(n + 1, f"array.a{n}.voltage", "V", 1e-3, 0.0, -2.0, 1000.0) for n in range(CHANNELS))
    source = SourcePlan("bench", "serial", channels, port=port, separator=",")
    return Plan("", "bench", str(store), flush_s, (source,))


def run(seconds: float, flush_s: float) -> Cost:
    """Record for so long; every line that was sent must be in the store."""
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "bench.db"
        prepare(store)
        ours, theirs = os.openpty()
        tty.setraw(theirs)
        descriptor = os.memfd_create("plan")
        os.write(descriptor, plan(store, os.ttyname(theirs), flush_s).to_json().encode())
        os.lseek(descriptor, 0, os.SEEK_SET)
        command = [sys.executable, "-P", "-m", "logger", "--plan-fd", str(descriptor)]
        process = subprocess.Popen(command, pass_fds=[descriptor], stderr=subprocess.DEVNULL)
        try:
            os.close(descriptor)
            _wait_until_open(process.pid, os.ttyname(theirs))
            os.close(theirs)
            cpu = _cpu_s(process.pid)
            talk = _talk(ours, process.pid, seconds, store)
            cpu = _cpu_s(process.pid) - cpu
            log_written = _written(process.pid) - talk.written_first
            log_kept = _count(store) - talk.kept_first
            process.terminate()
            _, status, usage = os.wait4(process.pid, 0)
            process.returncode = os.waitstatus_to_exitcode(status)
            if process.returncode:
                raise SystemExit(f"the logger ended with {process.returncode}")
        finally:
            process.kill()
            process.wait()
            os.close(ours)
        kept = _count(store)
        if kept != (talk.sent - 1) * CHANNELS:  # the first line is distrusted
            raise SystemExit(f"{talk.sent} lines were sent, {kept} samples are in the store")
        # ru_oublock holds the same count as /proc's write_bytes, in blocks of 512, and outlives the process.
        written = usage.ru_oublock * 512 - talk.written_first
        return Cost(
            samples=kept,
            resident_mb=talk.resident_mb,
            core_percent=100 * cpu / seconds,
            bytes_a_sample=written / max(kept - talk.kept_first, 1),
            log_bytes_a_sample=log_written / max(log_kept, 1),
        )


def _wait_until_open(pid: int, port: str) -> None:
    """The claim comes last: a select on the line follows."""
    pause = threading.Event()
    for _ in range(1500):
        fds = Path(f"/proc/{pid}/fd")
        if any(str(entry.readlink()) == port for entry in fds.iterdir() if entry.is_symlink()):
            pause.wait(0.5)
            return
        pause.wait(0.02)
    raise SystemExit("the logger did not open its line")


@dataclass
class Talk:
    """What went out, and what was seen meanwhile.

    Attributes
    ----------
    sent : int
        Lines.
    resident_mb : float
        The most that was resident [MB].
    kept_first, written_first : int
        Samples and bytes once the first commit stood.
    """

    sent: int = 0
    resident_mb: float = 0.0
    kept_first: int = 0
    written_first: int = 0


def _talk(ours: int, pid: int, seconds: float, store: Path) -> Talk:
    """A line of 50 numbers each second."""
    rng, talk = random.Random(1), Talk()
    pause, began = threading.Event(), time.monotonic()
    while time.monotonic() - began < seconds:
        os.write(ours, b",".join(b"%d" % rng.randrange(10_000, 60_000) for _ in range(CHANNELS)) + b"\r\n")
        talk.sent += 1
        pause.wait(max(0.0, began + talk.sent - time.monotonic()))
        status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
        found = re.search(r"VmHWM:\s+(\d+) kB", status)
        talk.resident_mb = max(talk.resident_mb, int(found[1]) / 1000 if found else 0.0)
        if not talk.kept_first:
            talk.written_first, talk.kept_first = _written(pid), _count(store)
    return talk


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _written(pid: int) -> int:
    found = re.search(r"^write_bytes: (\d+)", Path(f"/proc/{pid}/io").read_text(encoding="ascii"), re.M)
    return int(found[1]) if found else 0


def _count(store: Path) -> int:
    with closing(sqlite3.connect(store)) as connection:
        return int(connection.execute("SELECT count(*) FROM sample").fetchone()[0])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seconds", type=float, default=120)
    parser.add_argument("--flush", type=float, default=30, help="flush interval [s]")
    options = parser.parse_args()
    cost = run(options.seconds, options.flush)
    print(f"{cost.samples} samples, {CHANNELS} channels each second")
    print(f"resident at most  {cost.resident_mb:6.1f} MB   (at most {MOST_MB:g})")
    print(f"share of a core   {cost.core_percent:6.2f} %    (at most {MOST_PERCENT:g})")
    print(f"written a sample  {cost.bytes_a_sample:6.1f} byte (at most {MOST_BYTES:g})")
    print(f"   before the last copying {cost.log_bytes_a_sample:6.1f} byte")
    return 0


if __name__ == "__main__":
    sys.exit(main())
