"""Owns what is wrong with sealed files: by their own form, and by what the store says that they hold."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from logger import parquet_files, sealed
from logger.errors import StoreError
from logger.store import BUSY_MS


def flaws(store: Path) -> dict[str, str]:
    """Name of each sealed file that is not as a store knows it, with what is wrong; only their indexes are read.

    Parameters
    ----------
    store : Path
        A copy that nobody writes, of any schema, the archive beside it.
    """
    found: dict[str, str] = {}
    with closing(sqlite3.connect(f"{store.absolute().as_uri()}?mode=ro&immutable=1", uri=True)) as reader:
        reader.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
        known = reader.execute("SELECT 1 FROM sqlite_master WHERE name = 'sealed'").fetchone()
        for one in sealed.everything(reader) if known else []:
            path = sealed.archive_folder(reader) / one.file
            try:
                rows, _, _ = parquet_files.bounds(path)
            except StoreError:
                found[one.file] = "damaged" if path.exists() else "missing"
            else:
                if rows != one.n:
                    found[one.file] = f"holds {rows} rows, not {one.n}"
    return found
