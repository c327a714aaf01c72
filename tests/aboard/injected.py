"""Owns what every injected fault is counted with: a ship with one device, messages known by number, the table's row."""

from __future__ import annotations

import os
import re
import subprocess
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from logger.decoders.checksums import CHECKS
from logger.schema import prepare

from .rig import Aboard, Device, device, source

FLUSH_S = 0.3
VOLTS, AMPS = "bank.house.voltage", "bank.house.current"


@dataclass(frozen=True)
class Row:
    """One line of the table.

    Attributes
    ----------
    what : str
    times : int
        How often it was injected.
    said, lost, wrong : int
        Messages said, those of them that had to be in the store and are not, those stored with a wrong value.
    let_through : int or None
        Wrong messages that a bare checker takes; None where there is no check.
    note : str
    strict : bool
        Nothing wrong is allowed, and no check is to blame.
    """

    what: str
    times: int
    said: int
    lost: int
    wrong: int
    let_through: int | None = None
    note: str = ""
    strict: bool = False

    @property
    def is_bad(self) -> bool:
        allowed = 0 if self.strict else self.let_through
        return self.lost > 0 or (allowed is not None and self.wrong > allowed)


@contextmanager
def ship(*extra: str, check: str = "none") -> Iterator[tuple[Aboard, Device]]:
    """A folder with a store and one device."""
    with tempfile.TemporaryDirectory() as folder, device(Path(folder) / "cabin-controller") as made:
        aboard = Aboard(
            Path(folder),
            source(made).replace("[[source.channel]]", f'checksum = "{check}"\n[[source.channel]]', 1),
            *extra,
            flush=FLUSH_S,
        )
        prepare(aboard.store)
        yield aboard, made


def line(n: int, kind: str = "none") -> bytes:
    """Message number n: volts and amps from which it is known again."""
    return checked(b"V=%d.%03d,I=%d.%02d" % (10 + n // 1000, n % 1000, n % 89, n % 97), kind)


def checked(body: bytes, kind: str) -> bytes:
    """With its check behind it."""
    if kind == "none":
        return body
    function, digits = CHECKS[kind]
    return body + b"*%0*x" % (digits, function(body))


def known(n: int) -> tuple[float, float]:
    volts, amps = re.findall(rb"=([0-9.]+)", line(n))
    return float(volts), float(amps)


def say(made: Device, data: bytes) -> None:
    """All of it, as fast as it is taken."""
    while data:
        try:
            data = data[os.write(made.end, data) :]
        except BlockingIOError:
            threading.Event().wait(0.002)


def stored(aboard: Aboard) -> list[tuple[float | None, float | None]]:
    """Volts and amps of each moment that the store holds."""
    return aboard.ask(
        "SELECT max(CASE WHEN name = ? THEN value END), max(CASE WHEN name = ? THEN value END) "
        "FROM sample JOIN channel ON id = channel GROUP BY t ORDER BY t",
        VOLTS,
        AMPS,
    )


def there(aboard: Aboard, n: int) -> bool:
    """Whether the store holds message number n."""
    return bool(aboard.ask("SELECT 1 FROM sample WHERE value = ? LIMIT 1", known(n)[0]))


def wrong(rows: list[tuple[float | None, float | None]], numbers: range) -> int:
    """How many of them hold a value that nobody said."""
    pairs = {known(n) for n in numbers}
    volts, amps = {pair[0] for pair in pairs}, {pair[1] for pair in pairs}
    return sum(
        (v is not None and v not in volts)
        or (a is not None and a not in amps)
        or (None not in (v, a) and (v, a) not in pairs)
        for v, a in rows
    )


def lost(rows: list[tuple[float | None, float | None]], whole: set[int]) -> int:
    """How many of the messages that came whole are not in the store."""
    there = set(rows)
    return sum(known(n) not in there for n in whole)


def stop(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    if process.wait(60):
        raise SystemExit(f"the logger ended with {process.returncode}")
