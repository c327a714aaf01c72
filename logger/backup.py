"""Owns consistent copies of the store: one before an upgrade, and whole backups that a pulled stick cannot fake."""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager, nullcontext
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path

from logger.errors import StoreError
from logger.place import MOUNTS, file_system
from logger.sealed import FOLDER, at_work
from logger.store import BUSY_MS, open_reader

CONTENTS = "contents.json"
PART = ".part"
FAT_MOST = (1 << 32) - 1
"""The longest file that FAT can hold [bytes]; exFAT has no such limit. Microsoft FAT specification, 2000."""
_FAT = ("vfat", "msdos", "fat")
_STEP_PAGES = 500
_SPARE = 4 << 20
_PIECE = 1 << 20

Progress = Callable[[int, int], None]
"""Bytes copied so far, and bytes to copy."""


@dataclass(frozen=True, slots=True)
class Contents:
    """What a backup holds.

    Attributes
    ----------
    made : str
        When, ISO 8601 UTC.
    store : str
        Name of the store's file.
    rows : dict of str to int
        Rows of each of its tables.
    files : dict of str to (int, str)
        Every file, with its bytes and its SHA-256.
    flaws : dict of str to str
        Sealed files that were missing or damaged aboard already, with what is wrong: an earlier backup may hold them.
    """

    made: str
    store: str
    rows: dict[str, int]
    files: dict[str, tuple[int, str]]
    flaws: dict[str, str] = field(default_factory=dict)

    @property
    def size(self) -> int:
        """Bytes of all files."""
        return sum(size for size, _ in self.files.values())


def copy_store(store: Path, target: Path, progress: Progress = lambda done, size: None) -> dict[str, int]:
    """Copy the store as it stands at one moment, while others read and write it, and verify the copy.

    SQLite's online backup, in steps from within one read transaction: a writer between two steps neither waits nor
    makes it begin anew. https://sqlite.org/backup.html

    Parameters
    ----------
    store, target : Path
        `target` must not exist.
    progress : callable

    Returns
    -------
    dict of str to int
        Rows of each table.

    Raises
    ------
    StoreError
        The store cannot be read.
    OSError, sqlite3.Error
        The copy cannot be written, or is not what was written.
    """
    with closing(open_reader(store)) as reader:
        reader.execute("BEGIN")
        rows = _rows(reader)
        (page,) = reader.execute("PRAGMA page_size").fetchone()
        with closing(sqlite3.connect(target, isolation_level=None)) as writer:
            writer.execute("PRAGMA synchronous = OFF")  # synced once, at the end
            reader.backup(
                writer,
                pages=_STEP_PAGES,
                progress=lambda _, left, pages: progress((pages - left) * page, pages * page),
                sleep=0,
            )
    _sync(target)
    if verified_rows(target) != rows:
        raise OSError(f"{target.name} holds other rows than the store")
    return rows


def verified_rows(store: Path) -> dict[str, int]:
    """Rows of each table of a store that nobody writes, its integrity checked.

    Raises
    ------
    sqlite3.Error
        It is damaged, or no database at all.
    """
    with closing(sqlite3.connect(f"{store.absolute().as_uri()}?mode=ro&immutable=1", uri=True)) as reader:
        reader.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
        rows = _rows(reader)
        for name in rows:
            wrong = [text for (text,) in reader.execute(f'PRAGMA integrity_check("{name}")') if _is_damage(text)]
            if wrong:
                raise sqlite3.DatabaseError("; ".join(wrong[:3]))
        return rows


def _is_damage(text: str) -> bool:
    """Whether a line of an integrity check means damage.

    SQLite 3.40.0 to 3.41.0 sees NULL where there is none, in tables without row ids whose key has another order than
    their columns (https://sqlite.work/?p=5029).
    """
    mistaken = sqlite3.sqlite_version_info < (3, 41, 1) and text.startswith("NULL value in ")
    return text != "ok" and not mistaken


def _rows(connection: sqlite3.Connection) -> dict[str, int]:
    names = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name").fetchall()
    return {name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for (name,) in names}


def back_up(
    store: Path,
    settings: Path,
    folder: Path,
    made: datetime,
    progress: Progress = lambda done, size: None,
    mounts: Path = MOUNTS,
) -> tuple[Path, Contents]:
    """Make a whole, verified backup in a folder of its own below `folder`, while the logger writes.

    It bears another name until everything is written, synced, read back and the same: what was cut off is never taken
    for a whole one, and is cleared away by the next.

    Parameters
    ----------
    store, settings : Path
    folder : Path
        An existing folder, for instance where the stick is mounted.
    made : datetime
        UTC; part of the name.
    progress : callable
    mounts : Path
        See `logger.place.file_system`.

    Returns
    -------
    Path, Contents
        The new folder and what it holds.

    Raises
    ------
    StoreError
        There is no such folder, too little room, a file system that cannot hold it; or it was cut off.
    """
    from logger.sealed_flaws import flaws  # noqa: PLC0415 - a copy before an upgrade opens no file of the archive

    name = f"{store.stem}-{made:%Y-%m-%d-%H%M%S}"
    whole, part = folder / name, folder / (name + PART)
    _may_begin(store, settings, _archived(store), folder, mounts)
    if whole.exists():
        raise StoreError(f"{whole}: there is a backup of this very second; make the next one a moment later")
    try:
        with _own_folder(part), _still(store):
            archived = _archived(store)
            rows = copy_store(store, part / store.name, progress)
            files = {store.name: _sum(part / store.name)}
            for source, place in [
                (settings, settings.name),
                *((a, str(a.relative_to(store.parent))) for a in archived),
            ]:
                files[place] = _copy(source, part / place)
            moment = made.isoformat(timespec="seconds").replace("+00:00", "Z")
            contents = Contents(moment, store.name, rows, files, flaws(part / store.name))
            text = json.dumps(asdict(contents), indent=1, ensure_ascii=False)
            (part / CONTENTS).write_text(text, encoding="utf-8")
            _sync(part / CONTENTS)
            part.rename(whole)
            _sync_folder(folder)
    except (OSError, sqlite3.Error) as fault:
        reason = fault.strerror if isinstance(fault, OSError) and fault.strerror else fault
        raise StoreError(
            f"{folder}: the backup was cut off ({reason}); {part.name} there is not whole. "
            "The record itself is untouched. See that the stick sits well and has room, and start again"
        ) from None
    return whole, contents


def check(copy: Path) -> Contents:
    """Read a backup again and compare it with what it held when it was made.

    Raises
    ------
    StoreError
        It is no backup, is not whole, or has changed.
    """
    try:
        raw = json.loads((copy / CONTENTS).read_text(encoding="utf-8"))
        files = {name: (about[0], about[1]) for name, about in raw["files"].items()}
        contents = Contents(raw["made"], raw["store"], raw["rows"], files, raw.get("flaws", {}))
    except (OSError, ValueError, LookupError, TypeError):
        raise StoreError(
            f"{copy}: no whole backup; it should be a folder with {CONTENTS} in it, and its name never ends in {PART}"
        ) from None
    try:
        changed = [name for name, wanted in contents.files.items() if _sum(copy / name) != wanted]
        if not changed and verified_rows(copy / contents.store) != contents.rows:
            changed = [contents.store]
    except (OSError, sqlite3.Error) as fault:
        raise StoreError(f"{copy}: cannot be read whole ({fault}); use another backup") from None
    if changed:
        raise StoreError(f"{copy}: {', '.join(changed)} changed since it was made; use another backup")
    return contents


def _still(store: Path) -> AbstractContextManager[None]:
    """Nothing moves between store and archive meanwhile; who may not write beside the store cannot ask for that."""
    return at_work(store, wait=True) if os.access(store.parent, os.W_OK) else nullcontext()


# -- before it starts ---------------------------------------------------------------------------------------------


def _archived(store: Path) -> list[Path]:
    """The sealed files beside the store; not what is being written there just now."""
    found = sorted((store.parent / FOLDER).rglob("*"))
    return [f for f in found if f.is_file() and not f.name.startswith(".") and f.suffix not in (PART, ".tmp")]


def _may_begin(store: Path, settings: Path, archived: list[Path], folder: Path, mounts: Path) -> None:
    if not folder.is_dir():
        raise StoreError(f"{folder}: there is no such folder; is the stick plugged in and mounted?")
    if folder.resolve().is_relative_to((store.parent / FOLDER).resolve()):
        raise StoreError(f"{folder}: lies inside what is to be copied; name another place")
    if not os.access(folder, os.W_OK):
        raise StoreError(f"{folder}: this user may not write there; is the stick's switch on read-only?")
    sizes = {f: f.stat().st_size for f in (settings, *archived)} | {store: store_size(store)}
    longest = max(sizes, key=lambda f: sizes[f])
    if file_system(folder, mounts)[1] in _FAT and sizes[longest] > FAT_MOST:
        raise StoreError(
            f"{folder}: formatted as FAT, where a file ends at 4 GiB, and {longest.name} has "
            f"{_shown(sizes[longest])}; take a stick formatted as exFAT or ext4"
        )
    clear_parts(folder, store.stem + "-")
    _must_fit(folder, sum(sizes.values()))


def store_size(store: Path) -> int:
    """Bytes that a copy of the store takes.

    Raises
    ------
    StoreMissing, StoreError
    """
    with closing(open_reader(store)) as reader:
        (pages,), (page,) = (reader.execute(f"PRAGMA {key}").fetchone() for key in ("page_count", "page_size"))
    return int(pages * page)


def _must_fit(folder: Path, size: int) -> None:
    free = shutil.disk_usage(folder).free
    if free < size + _SPARE:
        raise StoreError(
            f"{folder}: too little room, {_shown(size + _SPARE)} are needed and {_shown(free)} are free; "
            "take away what is not needed there, or take another stick"
        )


def _shown(size: int) -> str:
    return f"{size / (1 << 30):.1f} GiB" if size >= 1 << 30 else f"{size / (1 << 20):.0f} MiB"


def clear_parts(folder: Path, prefix: str) -> None:
    """Clear away what cut-off copies left, unless someone is still at it."""
    for left in folder.glob(f"{prefix}*{PART}"):
        with _locked(left) as ours:
            if ours and left.is_dir():
                shutil.rmtree(left, ignore_errors=True)


@contextmanager
def _own_folder(part: Path) -> Iterator[None]:
    part.mkdir()
    with _locked(part):
        yield


@contextmanager
def _locked(folder: Path) -> Iterator[bool]:
    """Hold a folder for as long as this process lives; whether it could be had."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            yield False
        else:
            yield True
    finally:
        os.close(descriptor)


# -- files --------------------------------------------------------------------------------------------------------


def _copy(source: Path, target: Path) -> tuple[int, str]:
    """Copy a file and read the copy back; its bytes and its SHA-256."""
    target.parent.mkdir(parents=True, exist_ok=True)
    digest, size = hashlib.sha256(), 0
    with source.open("rb") as file, target.open("wb") as copy:
        while piece := file.read(_PIECE):
            copy.write(piece)
            digest.update(piece)
            size += len(piece)
    _sync(target)
    if _sum(target) != (size, digest.hexdigest()):
        raise OSError(f"{target.name} is not the same when read back")
    return size, digest.hexdigest()


def _sum(path: Path) -> tuple[int, str]:
    digest, size = hashlib.sha256(), 0
    with path.open("rb") as file:
        while piece := file.read(_PIECE):
            digest.update(piece)
            size += len(piece)
    return size, digest.hexdigest()


def _sync(path: Path) -> None:
    """Write a file through to its medium, and forget it, so that reading it again reads the medium."""
    descriptor = os.open(path, os.O_RDWR | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(descriptor)
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


# -- before an upgrade --------------------------------------------------------------------------------------------

KEPT_BEFORE_UPGRADE = 2


def before_upgrade(store: Path, made: datetime) -> Path:
    """Copy a store beside itself before its tables change; the oldest of such copies go.

    Raises
    ------
    StoreError
        There is no room for it, or it cannot be written.
    """
    stem = f"{store.stem}-before-upgrade-"
    target = store.with_name(f"{stem}{made:%Y-%m-%d-%H%M%S}{store.suffix}")
    part = target.with_name(target.name + PART)
    for left in store.parent.glob(f"{stem}*{PART}*"):
        left.unlink(missing_ok=True)
    _must_fit(store.parent, store_size(store))
    try:
        copy_store(store, part)
        part.replace(target)
        _sync_folder(store.parent)
    except (OSError, sqlite3.Error) as fault:
        part.unlink(missing_ok=True)
        raise StoreError(
            f"store {store}: the copy that is made before an upgrade failed ({fault}); nothing was changed"
        ) from None
    for old in sorted(store.parent.glob(f"{stem}*{store.suffix}"))[:-KEPT_BEFORE_UPGRADE]:
        old.unlink(missing_ok=True)
    return target
