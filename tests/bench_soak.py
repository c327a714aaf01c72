"""A long watch: 50 readings each second, plugs pulled at random; what it costs and what it loses.

    python -m tests.bench_soak [--minutes N] [--flush S] [--serial] [--pace N]

Serial lines alone, or as well units on a Modbus, a line of NMEA 0183 and a broker, which bring their libraries along.
Every message carries a running number, so that what was lost is counted and not estimated. Of what was said to an open
line everything must be in the store, but the one message that was on the wire when the plug was pulled. With a pace the
same goes on so many times as fast, which shows in minutes what grows over hours.
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
from collections.abc import Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from logger.plan import ChannelPlan, Plan, RegisterPlan, SourcePlan
from logger.schema import prepare
from tests.aboard.books import cpu_s, mapped, resident_mb, written
from tests.aboard.broker import free_port, real_broker
from tests.aboard.numbered_units import NumberedUnits
from tests.aboard.rig import PATIENCE_S, device
from tests.aboard.talkers import Book, Habit, OnBus, OnLine, OnTopics, Talker

# Readings a second of each line; with the others beside them, 50 together.
ALONE, BESIDE = (17, 17, 16), (12, 12, 12)
UNITS, UNIT_READINGS, SENTENCE_READINGS, TOPIC_READINGS = 2, 3, 4, 4
MOST_MB = 30.0
HEAVY = ("numpy", "pandas", "scipy", "pyarrow", "pydantic", "sqlite_utils", "dash")
PLUGGED_S = 150.0


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
        Readings that may have been on the wire when it was, and are not in the store.
    strange : int
        Messages in the store that were never said, or stand there twice.
    resident_mb : list of float
        Once a minute [MB].
    core_percent, bytes_a_sample : float
    heavy : list of str
        Packages of the analysis that the logging process has mapped.
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
    heavy: list[str] = field(default_factory=list)

    @property
    def growth_mb_h(self) -> float:
        """By how much it grew in the second half of the watch, by a straight line [MB/h]."""
        later = self.resident_mb[len(self.resident_mb) // 2 :]
        if len(later) < 2:
            return 0.0
        hours = np.linspace(self.seconds / 2, self.seconds, len(later)) / 3600
        return float(np.polyfit(hours, later, 1)[0])


def _numbered(name: str, where: Sequence[int | str]) -> tuple[ChannelPlan, ...]:
    """The number first, then voltages of nothing in particular."""
    return (
        ChannelPlan(where[0], f"load.{name}.starts", "count", 1.0, 0.0, 0.0, 1e9),
        *(
            ChannelPlan(at, f"array.{name}x{n}.voltage", "V", 1e-3, 0.0, -2.0, 1000.0)
            for n, at in enumerate(where[1:], start=1)
        ),
    )


class _Rig:
    """Everything that speaks, and the plan by which a logger hears it."""

    def __init__(self, folder: Path, stack: ExitStack, habit: Habit, alone: bool) -> None:
        self._folder, self._stack, self._habit = folder, stack, habit
        self.sources: list[SourcePlan] = []
        self.talkers: list[Talker] = []
        for n, fields in enumerate(ALONE if alone else BESIDE):
            self._line(n, fields)
        if not alone:
            self._sentences()
            self._topics()
            self._bus()

    def _line(self, n: int, fields: int) -> None:
        def make(number: int, rng: random.Random) -> bytes:
            return (
                b",".join([b"%d" % number, *(b"%d" % rng.randrange(10_000, 60_000) for _ in range(fields - 1))])
                + b"\r\n"
            )

        made = self._stack.enter_context(device(self._folder / f"line{n}"))
        channels = _numbered(f"line{n}", range(1, fields + 1))
        self.sources.append(SourcePlan(f"line {n}", "serial", channels, port=str(made.link), separator=","))
        self.talkers.append(OnLine(made, make, self._book(f"line{n}", fields), self._habit, n))

    def _sentences(self) -> None:
        def make(number: int, rng: random.Random) -> bytes:
            values = [number, *(rng.randrange(100) for _ in range(SENTENCE_READINGS - 1))]
            body = b"IIXDR," + b",".join(b"C,%d,C,N%d" % (value, n) for n, value in enumerate(values))
            check = 0
            for byte in body:
                check ^= byte
            return b"$%b*%02X\r\n" % (body, check)

        made = self._stack.enter_context(device(self._folder / "navigation"))
        channels = _numbered("nav", [f"XDR C N{n}" for n in range(SENTENCE_READINGS)])
        self.sources.append(SourcePlan("navigation", "nmea0183", channels, port=str(made.link), baud=4800))
        book = self._book("nav", SENTENCE_READINGS)
        self.talkers.append(OnLine(made, make, book, self._habit, 10))

    def _topics(self) -> None:
        def make(number: int, rng: random.Random) -> bytes:
            rest = b"".join(b', "v%d": %d' % (n, rng.randrange(100)) for n in range(1, TOPIC_READINGS))
            return b'{"v0": %d%b}' % (number, rest)

        broker = self._stack.enter_context(real_broker(self._folder))
        channels = _numbered("gauges", [f"soak/gauges#/v{n}" for n in range(TOPIC_READINGS)])
        self.sources.append(SourcePlan("gauges", "mqtt", channels, broker=broker.address))
        book = self._book("gauges", TOPIC_READINGS)
        self.talkers.append(OnTopics(broker, "soak/gauges", make, book, self._habit, 11))

    def _bus(self) -> None:
        books = [self._book(f"unit{node}", UNIT_READINGS) for node in range(1, UNITS + 1)]
        units = NumberedUnits(free_port(), self._folder / "numbers", UNITS)
        self._stack.callback(units.kill)
        channels: list[ChannelPlan] = []
        for node in range(1, UNITS + 1):
            registers = [RegisterPlan(node, 3, 0, "uint32")]
            registers += [RegisterPlan(node, 3, 2 + n, "uint16") for n in range(UNIT_READINGS - 1)]
            plain = _numbered(f"unit{node}", [register.label for register in registers])
            channels += [replace(c, register=r) for c, r in zip(plain, registers, strict=True)]
        # Patient, for on a busy machine an answer that comes late would count as lost.
        where = SourcePlan("bus", "modbus", tuple(channels), host="127.0.0.1", tcp_port=units.port, timeout_s=5.0)
        self.sources.append(replace(where, every_s=1 / self._habit.pace))
        self.talkers.append(OnBus(units, books, self._habit, 12))

    def _book(self, name: str, readings: int) -> Book:
        return Book(f"load.{name}.starts", readings)


def run(
    seconds: float, flush_s: float, plugged_s: float = PLUGGED_S, alone: bool = False, pace: float = 1.0
) -> Outcome:
    """Record for so long, and count.

    Parameters
    ----------
    seconds, flush_s : float
    plugged_s : float
        For how long a plug stays in, on average [s].
    alone : bool
        Serial lines and nothing else.
    pace : float
        Messages a second of each instrument.
    """
    outcome = Outcome(seconds)
    stop = threading.Event()
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        store = folder / "soak.db"
        prepare(store)
        rig = _Rig(folder, stack, Habit(stop, plugged_s, pace), alone)
        plan = Plan("", "soak", str(store), flush_s, tuple(rig.sources))
        descriptor = os.memfd_create("plan")
        os.write(descriptor, plan.to_json().encode())
        os.lseek(descriptor, 0, os.SEEK_SET)
        command = [sys.executable, "-P", "-m", "logger", "--plan-fd", str(descriptor)]
        process = stack.enter_context(
            subprocess.Popen(command, pass_fds=[descriptor], stderr=subprocess.DEVNULL, stdin=subprocess.DEVNULL)
        )
        stack.callback(process.kill)
        os.close(descriptor)
        for talker in rig.talkers:
            talker.start()
        try:
            _watch(process.pid, store, seconds, flush_s, outcome)
        finally:
            stop.set()
            for talker in rig.talkers:
                talker.join()
        process.terminate()
        if process.wait(60):
            raise SystemExit(f"the logger ended with {process.returncode}")
        _count(store, rig.talkers, outcome)
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
    outcome.heavy = mapped(pid, HEAVY)
    outcome.core_percent = 100 * (cpu_s(pid) - cpu) / (time.monotonic() - began)
    outcome.bytes_a_sample = (written(pid) - bytes_first) / max(_samples(store) - kept_first, 1)


def _samples(store: Path) -> int:
    with closing(sqlite3.connect(store, timeout=30)) as connection:
        return int(connection.execute("SELECT count(*) FROM sample").fetchone()[0])


def _count(store: Path, talkers: Sequence[Talker], outcome: Outcome) -> None:
    with closing(sqlite3.connect(store)) as connection:
        for book in (book for talker in talkers for book in talker.books):
            query = "SELECT value FROM sample JOIN channel ON id = channel WHERE name = ?"
            kept = [int(value) for (value,) in connection.execute(query, (book.channel,))]
            outcome.strange += len(kept) - len(set(kept)) + len(set(kept) - book.said - book.doubtful)
            outcome.said += len(book.said) * book.readings
            outcome.kept += len(book.said & set(kept)) * book.readings
            outcome.on_the_wire += len((book.said & book.doubtful) - set(kept)) * book.readings
        outcome.unplugged = sum(talker.unplugged for talker in talkers)
        if connection.execute("PRAGMA integrity_check").fetchone()[0] != "ok":
            raise SystemExit("the store is not whole")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--minutes", type=float, default=30)
    parser.add_argument("--flush", type=float, default=30, help="flush interval [s]")
    parser.add_argument("--serial", action="store_true", help="serial lines alone")
    parser.add_argument("--pace", type=float, default=1, help="so many times the readings, flushes and pulled plugs")
    options = parser.parse_args()
    pace = options.pace
    found = run(options.minutes * 60, options.flush / pace, PLUGGED_S / pace, options.serial, pace)
    memory = found.resident_mb
    lost = found.said - found.kept
    what = "three serial lines" if options.serial else "three serial lines, a bus, NMEA 0183 and a broker"
    print(f"{found.seconds / 60:.0f} min, {what}: {50 * pace:.0f} readings each second")
    print(f"plugs pulled      {found.unplugged:8d}")
    print(f"readings said     {found.said:8d}")
    print(f"not in the store  {lost:8d}   ({found.on_the_wire} of them on the wire when a plug was pulled)")
    print(f"never said, twice {found.strange:8d}")
    print(
        f"resident          {memory[0]:8.1f} MB at first, {max(memory):.1f} at most, {memory[-1]:.1f} at the end; "
        f"{found.growth_mb_h:+.2f} MB/h in the second half"
    )
    print(f"from minute to minute: {' '.join(f'{mb:.1f}' for mb in memory)} MB")
    print(f"share of a core   {found.core_percent:8.2f} %")
    print(f"written a sample  {found.bytes_a_sample:8.1f} byte")
    print(f"heavy packages    {', '.join(found.heavy) or 'none'}")
    stout = options.serial and max(memory) > MOST_MB
    return 1 if lost > found.on_the_wire or found.strange or stout or found.heavy else 0


if __name__ == "__main__":
    sys.exit(main())
