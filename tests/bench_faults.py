"""What goes wrong aboard, done to real processes on pseudo-terminals and files: what was lost, what was stored wrong.

    python -m tests.bench_faults [--quick]

Every line carries numbers by which it is known again, so that losses and wrong values are counted, not estimated. With
``crc16-modbus`` nothing wrong may be stored; with ``sum8`` and ``xor8`` no more than a bare checker lets through, to
which the same bytes are given; without a check the table says how many.
"""

from __future__ import annotations

import argparse
import os
import platform
import random
import re
import resource
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import ExitStack
from functools import partial
from pathlib import Path

from logger.decoders.checksums import CHECKS
from logger.schema import prepare
from tests.aboard.clock_faults import CLOCKS, clock_set_right, clock_steps
from tests.aboard.injected import FLUSH_S, Row, checked, line, lost, say, ship, stop, stored, there, wrong
from tests.aboard.rig import (
    Aboard,
    Talker,
    claimed,
    heard_from_the_start,
    kill_after,
    lean_logger,
    until,
)

PAGE = 2048
# The end of a stream, by a value that no flipped bits make of another message, with the check that its line needs.
END_V = 149.875
RATES = (1000, 100)
KINDS = ("none", "sum8", "xor8", "crc16-modbus")


# -- the line ------------------------------------------------------------------------------------------------


def replugging(times: int) -> Row:
    """Unplugged between two messages, back behind the same name under another number."""
    numbers, whole = iter(range(10**6)), set()
    with ship() as (aboard, made), lean_logger(aboard) as process:
        for _ in range(times):
            heard_from_the_start(made)
            for _ in range(20):
                whole.add(n := next(numbers))
                say(made, line(n) + b"\r\n")
            until(lambda n=n: there(aboard, n), "reading")
            say(made, b"V=9")
            made.unplug()
            made.plug()
        until(lambda: claimed(made), "the last opening")
        stop(process)
        rows = stored(aboard)
        return Row(
            "unplugged, replugged under another number",
            times,
            len(whole),
            lost(rows, whole),
            wrong(rows, range(len(whole))),
        )


def resets(times: int) -> Row:
    """Noise at another speed, a boot message, in mid-line."""
    rng, data, whole = random.Random(2), b"", set()
    for n in range(times * 10):
        whole.add(n)
        data += line(n) + b"\r\n"
        if n % 10 == 9:
            noise = bytes(rng.choice([0x80, 0xFF, 0xFE, 0xF8, 0]) for _ in range(rng.randrange(1, 30)))
            data += line(n)[: rng.randrange(1, 8)] + noise + b"\r\nboot v1.2\r\n"
    return _said("board reset in mid-line", times, data, whole)


def garbage(times: int) -> Row:
    """Bursts of random bytes between whole lines."""
    rng, data, whole = random.Random(3), b"", set()
    for n in range(times * 10):
        whole.add(n)
        data += line(n) + b"\n"
        if n % 10 == 9:
            data += rng.randbytes(rng.randrange(1, 60)) + b"\xff\n"
    return _said("burst of random bytes", times, data, whole)


def carriage_returns(times: int) -> Row:
    """CR is the only line end."""
    return _said("CR as the only line end", times, b"".join(line(n) + b"\r" for n in range(times)), set(range(times)))


def half_lines(times: int, kind: str) -> Row:
    """Cut at a random place, then a whole line."""
    rng, data, cut, whole = random.Random(4), b"", [], set()
    for n in range(times):
        whole.add(2 * n)
        half = line(2 * n + 1, kind)[: rng.randrange(1, len(line(2 * n + 1, kind)))]
        cut.append(half)
        data += line(2 * n, kind) + b"\n" + half + b"\n"
    passed = None if kind == "none" else sum(passes(half, kind) for half in cut)
    return _said(f"line cut short, {kind}", times, data, whole, kind, passed)


def _said(what: str, times: int, data: bytes, whole: set[int], kind: str = "none", passed: int | None = None) -> Row:
    with ship(check=kind) as (aboard, made), lean_logger(aboard) as process:
        heard_from_the_start(made)
        say(made, data)
        until(lambda: there(aboard, max(whole)), "the last message")
        stop(process)
        rows = stored(aboard)
    return Row(what, times, len(whole), lost(rows, whole), wrong(rows, range(max(whole) + 2)), passed)


# -- flipped bits --------------------------------------------------------------------------------------------


def flipped(data: bytes, one_in: int, rng: random.Random) -> bytes:
    """The same bytes, one bit in so many turned over."""
    spoilt = bytearray(data)
    place = int(rng.expovariate(1 / one_in))
    while place < 8 * len(spoilt):
        spoilt[place // 8] ^= 1 << place % 8
        place += 1 + int(rng.expovariate(1 / one_in))
    return bytes(spoilt)


def passes(message: bytes, kind: str) -> bool:
    """The bare checker: whether what stands behind the last mark is the check of what stands before it."""
    body, _, check = message.rstrip().rpartition(b"*")
    function, digits = CHECKS[kind]
    return bool(re.fullmatch(rb"[0-9a-fA-F]{%d}" % digits, check)) and function(body) == int(check, 16)


def flips(lines: int, kind: str, one_in: int) -> Row:
    """Noise on the line, at a rate that no line should have."""
    said = b"".join(line(n, kind) + b"\n" for n in range(lines))
    spoilt = flipped(said, one_in, random.Random(one_in))
    passed = None
    messages = re.split(rb"[\r\n]+", spoilt)
    if kind != "none":
        bodies = {line(n) for n in range(lines)}  # a check whose digits changed case is still the check
        passed = sum(passes(message, kind) and message.rpartition(b"*")[0] not in bodies for message in messages)
    whole = {n for n in range(lines) if line(n, kind) in set(messages)}
    with ship(check=kind) as (aboard, made), lean_logger(aboard) as process:
        heard_from_the_start(made)
        say(made, spoilt + b"\n" + checked(b"V=%.3f" % END_V, kind) + b"\n")
        until(lambda: aboard.ask("SELECT 1 FROM sample WHERE value = ?", END_V), "the end of the stream")
        stop(process)
        rows = [row for row in stored(aboard) if row[0] != END_V]
    found = wrong(rows, range(lines))
    return Row(f"bits flipped 1 in {one_in}, {kind}", lines, lines, lost(rows, whole), found, passed)


# -- the process ---------------------------------------------------------------------------------------------


def killed(times: int, how: signal.Signals) -> Row:
    """Killed or stopped at random moments: kill -9 may cost the last flush interval, SIGTERM nothing."""
    rng, missing, said, worst = random.Random(5), 0, 0, 0.0
    with ship() as (aboard, made):
        talker = Talker(made)
        with talker.talking():
            for _ in range(times):
                before = len(aboard.values())
                with lean_logger(aboard) as process:
                    until(lambda before=before: len(aboard.values()) > before, "the first commit")
                    if how is signal.SIGKILL:
                        at = kill_after(process, rng.uniform(0, 3 * FLUSH_S))
                        safe = sum(moment < at - FLUSH_S - 1.0 for moment in talker.said)
                    else:
                        threading.Event().wait(rng.uniform(0, 3 * FLUSH_S))
                        safe = len(talker.said)
                        stop(process)
                kept = [int(value) for value in aboard.values()]
                session = kept[before:]
                missing += len(set(range(session[0], safe)) - set(session))
                said += len(session)
                worst = max(worst, float(len(kept) - len(set(kept))))
                if aboard.ask("PRAGMA integrity_check") != [("ok",)]:
                    raise SystemExit("the store is not whole")
    name = "kill -9" if how is signal.SIGKILL else "SIGTERM"
    note = "older than a flush interval and a second" if how is signal.SIGKILL else "of all that was said before it"
    return Row(name, times, said, missing, int(worst), note=f"lost: {note}; integrity check clean each time")


# -- the store -----------------------------------------------------------------------------------------------


def full(times: int) -> Row:
    """The log cannot grow, then it can again; a small disk where one can be mounted, else a limit on file size."""
    whole: set[int] = set()
    with ExitStack() as stack:
        aboard, made = stack.enter_context(ship())
        disk = aboard.folder / "disk"
        disk.mkdir()
        command = ["mount", "-t", "tmpfs", "-o", "size=2m", "none", str(disk)]
        mounted = subprocess.run(command, capture_output=True, check=False).returncode == 0
        if mounted:
            stack.callback(subprocess.run, ["umount", "-l", str(disk)], check=True)
            text = aboard.settings.read_text(encoding="utf-8").replace('"lapwing.db"', '"disk/lapwing.db"')
            aboard.settings.write_text(text, encoding="utf-8")
            aboard.store = disk / "lapwing.db"
            prepare(aboard.store)
        process = stack.enter_context(lean_logger(aboard))
        heard_from_the_start(made)
        number = 0
        for round_ in range(1, times + 1):
            _refuse(process.pid, disk, mounted, room=False)
            while _told(aboard, "cannot be written") < round_:
                for number in range(number + 1, number + 101):  # noqa: B020 - goes on where it was
                    whole.add(number)
                    say(made, line(number) + b"\n")
                until(
                    lambda n=number, r=round_: there(aboard, n) or _told(aboard, "cannot be written") >= r,
                    "writing or refusal",
                )
            _refuse(process.pid, disk, mounted, room=True)
            until(lambda r=round_: _told(aboard, "is written again") >= r, "writing again")
        until(lambda: there(aboard, number), "the last message")
        stop(process)
        rows = stored(aboard)
        what = "disk full, freed again" if mounted else "file size limited, freed again"
        return Row(what, times, len(whole), lost(rows, whole), wrong(rows, range(number + 1)))


def _told(aboard: Aboard, what: str) -> int:
    return sum(what in row for row in aboard.messages())


def _refuse(pid: int, disk: Path, mounted: bool, room: bool) -> None:
    if not mounted:
        _, hard = resource.prlimit(pid, resource.RLIMIT_FSIZE)
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (hard if room else 4096, hard))
    elif room:
        (disk / "other").unlink()
    else:
        with (disk / "other").open("wb", buffering=0) as file:
            try:
                while True:
                    file.write(bytes(4096))
            except OSError:
                return


def damaged(times: int) -> Row:
    """Between two sessions a page is zeroed, the end cut off, or the header overwritten; it is salvaged meanwhile."""
    rng, salvaged, before, missing = random.Random(6), 0, 0, 0
    for n in range(times):
        with ship() as (aboard, made):
            with lean_logger(aboard) as process:
                heard_from_the_start(made)
                say(made, b"".join(line(number) + b"\n" for number in range(2000)))
                until(lambda aboard=aboard: there(aboard, 1999), "reading")
                stop(process)
            old = len(stored(aboard))
            _damage(aboard.store, n % 3, rng)
            with aboard.recording() as process:
                heard_from_the_start(made)
                say(made, b"".join(line(number) + b"\n" for number in range(2000, 2010)))
                until(lambda aboard=aboard: there(aboard, 2009), "reading into a fresh store")
                if aboard.events("damaged file"):
                    until(lambda aboard=aboard: aboard.events("salvage"), "salvage")
                stop(process)
            rows = stored(aboard)
            before += old
            salvaged += len(rows) - 10
            missing += lost(rows, set(range(2000, 2010))) + wrong(rows, range(2010))
    note = f"{100 * salvaged / max(before, 1):.0f} % of the damaged records brought back; lost: of what came after"
    return Row("store damaged between sessions", times, 10 * times, missing, 0, note=note)


def _damage(store: Path, how: int, rng: random.Random) -> None:
    size = store.stat().st_size
    with store.open("r+b") as file:
        if how == 0:
            file.seek(rng.randrange(2, size // PAGE) * PAGE)
            file.write(bytes(PAGE))
        elif how == 1:
            file.truncate(size * 3 // 4)
        else:
            file.write(rng.randbytes(100))


# -- all of it -----------------------------------------------------------------------------------------------


def injections(quick: bool) -> list[Callable[[], Row]]:
    """What is done, in order."""
    few = (lambda long, short: short) if quick else (lambda long, short: long)
    kinds = KINDS[::3] if quick else KINDS
    rates = RATES[1:] if quick else RATES
    clocks = CLOCKS[3:4] if quick else CLOCKS
    rows: list[Callable[[], Row]] = [
        lambda: replugging(few(20, 2)),
        lambda: resets(few(200, 10)),
        lambda: garbage(few(500, 10)),
        lambda: carriage_returns(few(1000, 50)),
        *(partial(half_lines, few(2000, 40), kind) for kind in kinds),
        *(partial(flips, few(20_000, 300), kind, rate) for rate in rates for kind in KINDS),
        *(partial(clock_steps, few(20, 2), by, what) for by, what in clocks),
        *(partial(clock_set_right, few(10, 1), by, what) for by, what in clocks),
        lambda: full(few(5, 1)),
        lambda: damaged(few(9, 1)),
    ]
    if not quick:  # among the tests these have a test of their own
        rows += [lambda: killed(50, signal.SIGKILL), lambda: killed(50, signal.SIGTERM)]
    return rows


def shown(row: Row) -> str:
    through = "" if row.let_through is None else f"{row.let_through:,}"
    return f"| {row.what} | {row.times:,} | {row.said:,} | {row.lost:,} | {row.wrong:,} | {through} | {row.note} |"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="a few of each")
    options = parser.parse_args()
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}\n")
    print("| injected | times | messages whole | lost | stored wrong | let through by the bare code | |")
    print("| --- | ---: | ---: | ---: | ---: | ---: | --- |")
    bad = False
    for inject in injections(options.quick):
        row = inject()
        bad = bad or row.is_bad
        print(shown(row), flush=True)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
