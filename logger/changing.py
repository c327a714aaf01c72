"""Owns a re-plugged circuit in the settings file: a new dated entry, comments kept, and its line in the logbook."""

from __future__ import annotations

import copy
import datetime as dt
import hashlib
import os
import sqlite3
import tempfile
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import AoT, Null, Table, Whitespace

from logger.errors import NoonmarkError, SettingsError, UsageError
from logger.settings import Located
from logger.settings_file import parse, read
from logger.settings_mistakes import LISTS, loads, toml
from logger.store import keep_settings, note, open_writer, transaction

KINDS = tuple(kind for kind in LISTS if kind not in ("source", "passage"))
"""The kinds of parts that may have several entries of one name, each with its dates."""


@dataclass(frozen=True, slots=True)
class Change:
    """What was changed aboard.

    Attributes
    ----------
    kind, name : str
        Of the part, for instance ``array`` and ``cabin``.
    day : datetime.date
        The first solar day on which it is so.
    values : mapping
        What differs; a key within a table has a dot: ``module.power``. None takes a key away.
    """

    kind: str
    name: str
    day: dt.date
    values: Mapping[str, Any] = field(default_factory=dict)

    @property
    def subject(self) -> str:
        """As ``array.cabin``."""
        return f"{self.kind}.{self.name}"


def standing(raw: Mapping[str, Any], kind: str, name: str, day: dt.date) -> int:
    """Which entry of a kind stands for a part on a day.

    Raises
    ------
    UsageError
        None does; the message says which are there.
    """
    entries = raw.get(kind, [])
    for i, entry in enumerate(entries):
        if entry["name"] == name and not (
            entry.get("from", dt.date.min) > day or entry.get("until", dt.date.max) < day
        ):
            return i
    known = ", ".join(dict.fromkeys(f"{kind}.{entry['name']}" for entry in entries)) or "none"
    raise UsageError(f"{kind}.{name}: no entry of that name stands on {day}; there are: {known}")


def changed_text(text: str, change: Change) -> str:
    """The settings file with a part changed: the old entry ends on the day before, a new one begins.

    An entry that begins on that very day is changed in place. All else stays as it was typed, comments too.

    Raises
    ------
    UsageError
        No such part stands on that day, or the file is laid out so that it must be changed by hand.
    SettingsError
        What would come out holds mistakes.
    """
    raw = loads(text)
    at = standing(raw, change.kind, change.name, change.day)
    wanted = _changed_raw(raw, at, change)
    text = text if text.endswith("\n") else text + "\n"
    document = tomlkit.parse(text)
    entries = document[change.kind]
    by_hand = UsageError(
        f"the [[{change.kind}]] tables do not follow one another in the file, or stand in one line; "
        "put them together under headings, or make the change by hand"
    )
    if not isinstance(entries, AoT) or tomlkit.dumps(document) != text:
        raise by_hand
    _change_entry(entries, at, change, in_place=len(wanted[change.kind]) == len(raw[change.kind]))
    written = tomlkit.dumps(document)
    try:
        safe = loads(written) == wanted
    except ValueError:
        safe = False
    if not safe:
        raise by_hand
    parse(written, where=f"{change.subject} from {change.day}")
    return written


def _changed_raw(raw: Mapping[str, Any], at: int, change: Change) -> dict[str, Any]:
    """The same change on plain tables, against which the text is checked."""
    wanted = copy.deepcopy(dict(raw))
    entries = wanted[change.kind]
    if entries[at].get("from") != change.day:
        entries.insert(at + 1, copy.deepcopy(entries[at]) | {"from": change.day})
        entries[at]["until"] = change.day - dt.timedelta(1)
        at += 1
    for key, value in change.values.items():
        _set(entries[at], key, value)
    return wanted


def _set(entry: Any, key: str, value: Any) -> None:
    *tables, last = key.split(".")
    for table in tables:
        if table not in entry:
            raise UsageError(f"{key}: there is no table [{table}] in it; make the change by hand")
        entry = entry[table]
    if value is None:
        entry.pop(last, None)
    else:
        entry[last] = value


def _change_entry(entries: AoT, at: int, change: Change, *, in_place: bool) -> None:
    if not in_place:
        after = _take_tail(entries[at])
        entries.insert(at + 1, copy.deepcopy(entries[at]))
        entries[at]["until"] = change.day - dt.timedelta(1)
        _last_table(entries[at]).value.body.append((None, Whitespace("\n")))
        at += 1
        entries[at]["from"] = change.day
        _last_table(entries[at]).value.body.extend(after)
    for key, value in change.values.items():
        _set(entries[at], key, value)


def _take_tail(entry: Table) -> list[Any]:
    """Take off what follows an entry behind a blank line: it is the heading of what comes next, not its own."""
    body = _last_table(entry).value.body
    own = max((i for i, (key, item) in enumerate(body) if key is not None and not isinstance(item, Null)), default=-1)
    blank = next((i for i in range(own + 1, len(body)) if isinstance(body[i][1], Whitespace)), len(body))
    tail = body[blank:]
    del body[blank:]
    return tail


def _last_table(entry: Table) -> Table:
    """The table in which an entry's text ends: itself, or the last one within it."""
    keyed = [item for key, item in entry.value.body if key is not None and not isinstance(item, Null)]
    inner = keyed[-1] if keyed else None
    if isinstance(inner, AoT) and len(inner):
        return _last_table(inner[-1])
    return _last_table(inner) if isinstance(inner, Table) else entry


# -- in one act ---------------------------------------------------------------------------------------------------


def make(located: Located, change: Change, since: int | None, now: int, author: str, text: str) -> Located:
    """Write a change into the settings file and the store, all or nothing.

    Parameters
    ----------
    located : Located
        The settings file as it was read.
    change : Change
    since : int or None
        Where the day of the change lies in the past, its start, UTC [ms]: the kept settings of the time since then are
        corrected likewise, so that those days are judged anew. None where it takes effect from now on.
    now : int
        UTC [ms].
    author, text : str
        For the logbook.

    Returns
    -------
    Located
        The settings file as it stands now.

    Raises
    ------
    UsageError, SettingsError
        See `changed_text`; nothing was written.
    NoonmarkError
        The file changed meanwhile, or cannot be written; nothing was written.
    StoreError
        The store cannot be written; nothing was written.
    """
    written = changed_text(located.text, change)
    with closing(open_writer(located.store_path)) as connection:
        back: bytes | None = None
        try:
            with transaction(connection):
                if since is not None:
                    _correct_kept(connection, change, since)
                keep_settings(connection, now, _hash(written), written)
                note(connection, now, author, text, ["change", change.subject])
                if read(located.path).hash != located.hash:
                    raise NoonmarkError(f"{located.path}: changed meanwhile by someone else; do it again")
                back = located.path.read_bytes()
                # Last before the commit; should that fail, the old file is put back.
                _replace(located.path, _ended_like(back, written))
        except BaseException as fault:
            if back is not None and located.path.read_bytes() != back:
                _replace(located.path, back)
            if isinstance(fault, sqlite3.Error):
                raise NoonmarkError(f"store {located.store_path}: {fault}; nothing was changed") from None
            raise
    return read(located.path)


def _correct_kept(connection: sqlite3.Connection, change: Change, since: int) -> None:
    rows = connection.execute("SELECT id, text FROM settings WHERE stop IS NULL OR stop > ?", (since,)).fetchall()
    for row, text in rows:
        try:
            corrected = changed_text(text, change)
        except (UsageError, SettingsError):
            continue  # that file knew no such part
        connection.execute("UPDATE settings SET hash = ?, text = ? WHERE id = ?", (_hash(corrected), corrected, row))


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _ended_like(old: bytes, text: str) -> bytes:
    """Text in the old file's manner: its line ends, its byte-order mark."""
    data = text.replace("\n", "\r\n") if b"\r\n" in old else text
    return (b"\xef\xbb\xbf" if old.startswith(b"\xef\xbb\xbf") else b"") + data.encode()


def _replace(path: Path, data: bytes) -> None:
    """Whole or not at all: a power cut leaves the old file or the new one."""
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
            os.fchmod(file.fileno(), path.stat().st_mode & 0o777)
        Path(name).replace(path)
    except OSError as fault:
        raise NoonmarkError(f"{path}: cannot be written ({fault.strerror}); nothing was changed") from None


def told(raw: Mapping[str, Any], change: Change) -> str:
    """What differs, for the logbook: ``area 4.0 -> 6.0``; the change may differ in nothing, as a joint made anew."""
    entry = raw[change.kind][standing(raw, change.kind, change.name, change.day)]
    parts = []
    for key, value in change.values.items():
        before: Any = entry
        for step in key.split("."):
            before = before.get(step) if isinstance(before, Mapping) else None
        parts.append(
            f"{key} {'none' if before is None else toml(before)} -> {'none' if value is None else toml(value)}"
        )
    return ", ".join(parts)
