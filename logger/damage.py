"""Owns the damaged store: told in bounded time, moved aside with a time stamp, its salvage started.

Standard library only.
"""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from logger.errors import StoreError
from logger.store import BUSY_MS, claim
from logger.trouble import DAMAGED, is_damage

CHECK_S = 10.0
"""The check at a start takes no longer; what it does not come to is met, and dealt with, while recording."""

_PARTS = ("", "-wal", "-shm")


def found(path: Path, seconds: float = CHECK_S) -> str | None:
    """What is wrong with the file of a store, None where nothing is found in that time.

    A store that cannot be opened for other reasons (rights, locks, a full disk) is not damaged, nor is a text. The look
    is taken in another process, for SQLite reads a whole table in one step that nothing interrupts.
    """
    if not path.exists() or not path.stat().st_size:
        return None
    command = [sys.executable, "-P", "-m", "logger.damage", str(path)]
    try:
        with claim(path):
            done = subprocess.run(
                command, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, timeout=seconds
            )
    except (StoreError, subprocess.TimeoutExpired):
        return None  # another logger has it, and has looked; or it is too large to be looked at now
    return done.stdout.strip() or None


def _look(path: Path) -> str:
    try:
        with closing(sqlite3.connect(path, timeout=BUSY_MS / 1000)) as connection:
            said = str(connection.execute("PRAGMA quick_check(1)").fetchone()[0])
    except sqlite3.Error as fault:
        return str(fault) if is_damage(fault) and not _is_text(path) else ""
    return "" if said == "ok" else " ".join(said.replace("*** in database main ***", "").split())


def _is_text(path: Path) -> bool:
    """Whether it is a text: then the settings name the wrong file, and it is left where it is."""
    with path.open("rb") as file:
        head = file.read(4096)
    try:
        return "\0" not in head[:-4].decode("utf-8")
    except UnicodeDecodeError:
        return False


def set_aside(path: Path) -> Path:
    """Give the store's file, with its log, a name that tells when it was found damaged.

    Returns
    -------
    Path
        ``STORE.damaged-20260712T101112Z``, beside it.

    Raises
    ------
    StoreError
        It cannot be renamed.
    """
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    aside = path.with_name(f"{path.name}.damaged-{stamp}")
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}.damaged-{stamp}-{number}")
    try:
        # The log first: a store without its log is older, a log without its store would be taken for the fresh one's.
        for part in reversed(_PARTS):
            there = path.with_name(path.name + part)
            if there.exists():
                there.rename(aside.with_name(aside.name + part))
    except OSError as fault:
        raise StoreError(
            f"store {path}: damaged, and cannot be moved aside ({fault.strerror}); check the folder and its owner"
        ) from None
    return aside


def note(store: Path, aside: Path, why: str) -> None:
    """Write the event into the fresh store."""
    text = f"the store was damaged ({why}); it lies aside as {aside.name}, and what still reads is brought back"
    with closing(sqlite3.connect(store, timeout=BUSY_MS / 1000)) as connection, connection:
        connection.execute(
            "INSERT INTO event (t, session, source, kind, text) VALUES (?, NULL, NULL, ?, ?)",
            (time.time_ns() // 1_000_000, DAMAGED, text),
        )


def unfinished(store: Path) -> list[Path]:
    """Damaged files beside a store from which not all was brought back yet."""
    found = store.parent.glob(f"{store.name}.damaged-*Z*")
    return sorted(path for path in found if not path.name.endswith(("-wal", "-shm", ".salvaged", ".work")))


def start_salvage(store: Path) -> None:
    """Bring back what reads, in processes of their own that go on when this one ends."""
    for aside in unfinished(store):
        subprocess.Popen(
            [sys.executable, "-P", "-m", "logger.salvage", str(aside), str(store)],
            stdin=subprocess.DEVNULL,
            start_new_session=True,
        )


if __name__ == "__main__":
    sys.stdout.write(_look(Path(sys.argv[1])))
