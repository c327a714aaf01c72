"""A long watch: three serial lines, 50 readings each second, plugs pulled at random; what it costs and what it loses.

    python -m tests.bench_soak [--minutes N] [--flush S]

Every line carries a running number, so that what was lost is counted and not estimated. Of what was said to an open
line everything must be in the store, but the one message that was on the wire when the plug was pulled.
"""

from __future__ import annotations

import argparse
import os
import random
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path

from logger.plan import ChannelPlan, Plan, SourcePlan
from logger.schema import prepare
from tests.aboard.books import cpu_s, resident_mb, written
from tests.aboard.rig import PATIENCE_S, Device, claimed, device

LINES = (17, 17, 16)
MOST_MB = 30.0
PLUGGED_S, AWAY_S = 150.0, 12.0


@dataclass
class Outcome:
    """What a watch came to.

    Attributes
    ----------
    seconds : float
    said, kept : int
        Readings said to open lines, and of those in the store.
    unplugged : int
        How often a plug was pulled.
    on_the_wire : int
        Readings that may have been on the wire when it was.
    strange : int
        Messages in the store that were never said, or stand there twice.
    resident_mb : list of float
        Once a minute [MB].
    core_percent, bytes_a_sample : float
    """

    seconds: float
    said: int = 0
    kept: int = 0
    unplugged: int = 0
    on_the_wire: int = 0
    strange: int = 0
    resident_mb: list[float] = field(default_factory=list)
    core_percent: float = 0.0
    bytes_a_sample: float = 0.0


class Talker(threading.Thread):
    """One device: a numbered line each second, unplugged now and then, back under another number."""

    def __init__(self, made: Device, fields: int, seed: int, stop: threading.Event, plugged_s: float) -> None:
        super().__init__(name=f"talker {seed}")
        self._device, self._fields, self._rng, self._stop_now = made, fields, random.Random(seed), stop
        self._plugged_s = plugged_s
        self.number = 0
        self.said: set[int] = set()
        self.doubtful: set[int] = set()
        self.unplugged = 0

    def run(self) -> None:
        while not self._stop_now.is_set():
            if not self._opened():
                return
            self._device.says(b"\n")
            self._talk(self._rng.expovariate(1 / self._plugged_s))
            if not self._stop_now.is_set():
                self._device.unplug()
                self.unplugged += 1
                self.doubtful.add(self.number)
                self._stop_now.wait(self._rng.uniform(0.2, 2 * AWAY_S))
                self._device.plug()

    def _opened(self) -> bool:
        while not claimed(self._device):
            if self._stop_now.wait(0.1):
                return False
        return True

    def _talk(self, seconds: float) -> None:
        began, lines = time.monotonic(), 0
        while time.monotonic() - began < seconds and not self._stop_now.is_set():
            self.number += 1
            values = b",".join(b"%d" % self._rng.randrange(10_000, 60_000) for _ in range(self._fields - 1))
            if self._device.says(b"%d,%b\r\n" % (self.number, values)):
                self.said.add(self.number)
            lines += 1
            self._stop_now.wait(max(0.0, began + lines - time.monotonic()))


def plan(store: Path, ports: list[str], flush_s: float) -> Plan:
    sources = []
    for n, (port, fields) in enumerate(zip(ports, LINES, strict=True)):
        channels = [ChannelPlan(1, f"load.line{n}.starts", "count", 1.0, 0.0, 0.0, 1e9)]
        channels += [
            ChannelPlan(place, f"array.a{n}x{place}.voltage", "V", 1e-3, 0.0, -2.0, 1000.0)
            for place in range(2, fields + 1)
        ]
        sources.append(SourcePlan(f"line {n}", "serial", tuple(channels), port=port, separator=","))
    return Plan("", "soak", str(store), flush_s, tuple(sources))


def run(seconds: float, flush_s: float, plugged_s: float = PLUGGED_S) -> Outcome:
    """Record for so long, and count."""
    outcome = Outcome(seconds)
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        store = folder / "soak.db"
        prepare(store)
        devices = [stack.enter_context(device(folder / f"line{n}")) for n in range(len(LINES))]
        descriptor = os.memfd_create("plan")
        os.write(descriptor, plan(store, [str(one.link) for one in devices], flush_s).to_json().encode())
        os.lseek(descriptor, 0, os.SEEK_SET)
        command = [sys.executable, "-P", "-m", "logger", "--plan-fd", str(descriptor)]
        process = stack.enter_context(
            subprocess.Popen(command, pass_fds=[descriptor], stderr=subprocess.DEVNULL, stdin=subprocess.DEVNULL)
        )
        stack.callback(process.kill)
        os.close(descriptor)
        stop = threading.Event()
        talkers = [
            Talker(one, fields, n, stop, plugged_s) for n, (one, fields) in enumerate(zip(devices, LINES, strict=True))
        ]
        for talker in talkers:
            talker.start()
        try:
            _watch(process.pid, store, seconds, flush_s, outcome)
        finally:
            stop.set()
            for talker in talkers:
                talker.join()
        process.terminate()
        if process.wait(60):
            raise SystemExit(f"the logger ended with {process.returncode}")
        _count(store, talkers, outcome)
    return outcome


def _watch(pid: int, store: Path, seconds: float, flush_s: float, outcome: Outcome) -> None:
    pause, waited = threading.Event(), time.monotonic()
    while not _samples(store):
        if time.monotonic() - waited > flush_s + PATIENCE_S:
            raise SystemExit("the first commit did not come")
        pause.wait(0.1)
    cpu, began, bytes_first, kept_first = cpu_s(pid), time.monotonic(), written(pid), _samples(store)
    every = min(60.0, seconds / 4)
    while (left := began + seconds - time.monotonic()) > 0:
        pause.wait(min(every, left))
        outcome.resident_mb.append(resident_mb(pid))
    outcome.core_percent = 100 * (cpu_s(pid) - cpu) / (time.monotonic() - began)
    outcome.bytes_a_sample = (written(pid) - bytes_first) / max(_samples(store) - kept_first, 1)


def _samples(store: Path) -> int:
    with closing(sqlite3.connect(store, timeout=30)) as connection:
        return int(connection.execute("SELECT count(*) FROM sample").fetchone()[0])


def _count(store: Path, talkers: list[Talker], outcome: Outcome) -> None:
    with closing(sqlite3.connect(store)) as connection:
        for n, talker in enumerate(talkers):
            query = "SELECT value FROM sample JOIN channel ON id = channel WHERE name = ?"
            kept = [int(value) for (value,) in connection.execute(query, (f"load.line{n}.starts",))]
            outcome.strange += len(kept) - len(set(kept)) + len(set(kept) - talker.said - talker.doubtful)
            outcome.said += len(talker.said) * LINES[n]
            outcome.kept += len(kept) * LINES[n]
            outcome.unplugged += talker.unplugged
            outcome.on_the_wire += len((talker.said & talker.doubtful) - set(kept)) * LINES[n]
        if connection.execute("PRAGMA integrity_check").fetchone()[0] != "ok":
            raise SystemExit("the store is not whole")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--minutes", type=float, default=30)
    parser.add_argument("--flush", type=float, default=30, help="flush interval [s]")
    options = parser.parse_args()
    found = run(options.minutes * 60, options.flush)
    memory = found.resident_mb
    lost = found.said - found.kept
    print(f"{found.seconds / 60:.0f} min, {len(LINES)} serial lines, {sum(LINES)} readings each second")
    print(f"plugs pulled      {found.unplugged:8d}")
    print(f"readings said     {found.said:8d}")
    print(f"not in the store  {lost:8d}   ({found.on_the_wire} of them on the wire when a plug was pulled)")
    print(f"never said, twice {found.strange:8d}")
    print(f"resident          {memory[0]:8.1f} MB at first, {max(memory):.1f} at most, {memory[-1]:.1f} at the end")
    print(f"share of a core   {found.core_percent:8.2f} %")
    print(f"written a sample  {found.bytes_a_sample:8.1f} byte")
    return 0 if lost <= found.on_the_wire and not found.strange and max(memory) <= MOST_MB else 1


if __name__ == "__main__":
    sys.exit(main())
