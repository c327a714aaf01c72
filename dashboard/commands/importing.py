"""Owns the ``import`` command: history from files into the store."""

from __future__ import annotations

import sys
import time
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.options import json_option, print_json, settings_option
from dashboard.commands.stores import prepare

if TYPE_CHECKING:
    from logger.importing import Brought

_QUIET_S = 2.0
_BAR = 30


@click.command("import")
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--source", "source", metavar="NAME", help="The csv source whose mapping reads the files.")
@settings_option
@json_option
def import_files(files: tuple[Path, ...], source: str | None, settings_path: Path, as_json: bool) -> None:
    """Bring in CSV history, safely repeatable.

    Without --source each file goes to the one csv source whose headers fit. The same rows again change nothing;
    where a value differs, this import wins and the old value is kept among the rejects.
    """
    from logger import importing, settings_file, store
    from logger.clock import SystemClock

    plan = settings_file.plan(settings_file.read(settings_path))
    chosen = importing.choose(plan, files, source)
    prepare(settings_path, Path(plan.store_path))
    bar = Bar()
    brought = []
    with closing(store.open_writer(Path(plan.store_path))) as connection:
        for one in importing.bring_in(connection, plan, chosen, SystemClock().now_ms(), bar.show):
            bar.clear()
            brought.append(one)
            if one.fault:
                click.echo(one.fault, err=True)
            if not as_json and (one.kept.samples or not one.fault):
                _say(one)
    if as_json:
        print_json({"files": [_as_json(one) for one in brought]})
    if any(one.fault for one in brought):
        sys.exit(1)


class Bar:
    """A progress line on a terminal, once the work has lasted two seconds."""

    def __init__(self, quiet_s: float = _QUIET_S) -> None:
        self._quiet_s = quiet_s
        self._began = time.monotonic()
        self._shown = False

    def show(self, path: Path, done: int, size: int) -> None:
        if not sys.stderr.isatty() or time.monotonic() - self._began < self._quiet_s:
            return
        part = min(1.0, done / size) if size else 1.0
        line = "#" * round(part * _BAR)
        click.echo(f"\r{path.name} [{line:<{_BAR}}] {part:4.0%}", nl=False, err=True)
        self._shown = True

    def clear(self) -> None:
        if self._shown:
            click.echo("\r\x1b[K", nl=False, err=True)
            self._shown = False


def _say(one: Brought) -> None:
    kept = one.kept
    parts = [
        f"{one.path}: source {one.source!r}, {one.rows} rows, "
        f"{kept.new} samples new, {kept.same} unchanged, {kept.superseded} superseded"
    ]
    if kept.marked:
        parts.append(f"{kept.marked} marked")
    parts += [f"{count} rejected: {reason} (first in line {line})" for reason, (count, line) in kept.rejects.items()]
    if one.held_back:
        parts.append("last line held back: it has no line end and may be half written")
    if one.note:
        parts.append(one.note)
    click.echo("; ".join(parts))


def _as_json(one: Brought) -> dict[str, Any]:
    kept = one.kept
    return {
        "file": str(one.path),
        "source": one.source or None,
        "rows": one.rows,
        "from": _iso(one.first),
        "to": _iso(one.last),
        "new": kept.new,
        "unchanged": kept.same,
        "superseded": kept.superseded,
        "marked": kept.marked,
        "rejects": [
            {"reason": reason, "count": count, "first_line": line} for reason, (count, line) in kept.rejects.items()
        ],
        "held_back": one.held_back,
        "note": one.note,
        "fault": one.fault,
    }


def _iso(t: int | None) -> str | None:
    return None if t is None else datetime.fromtimestamp(t / 1000, UTC).isoformat().replace("+00:00", "Z")
