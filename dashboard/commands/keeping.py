"""Owns the ``backup`` command: a consistent copy of the record, made while it is written."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from dashboard.commands.importing import Bar
from dashboard.commands.options import json_option, print_json, settings_option
from logger.errors import StoreError

_SHOWN = 5


@click.command()
@click.argument("dest", type=click.Path(path_type=Path))
@click.option("--check", "check_only", is_flag=True, help="Make none: read the backup DEST again and compare it.")
@settings_option
@json_option
def backup(dest: Path, check_only: bool, settings_path: Path, as_json: bool) -> None:
    """Make a consistent copy of the record while the logger writes.

    DEST is an existing folder, for instance where a stick is mounted; the copy gets a folder of its own there, named by
    the moment: store, archive and settings file, read back and compared. One that was cut off keeps a name that ends in
    .part and is cleared away by the next.
    """
    from logger import settings_file
    from logger.backup import back_up, check

    if check_only:
        made, contents = dest, check(dest)
    else:
        located = settings_file.read(settings_path)
        bar = Bar()
        made, contents = back_up(
            located.store_path,
            located.path,
            dest,
            dt.datetime.now(dt.UTC),
            lambda done, size: bar.show(located.store_path, done, size),
        )
        bar.clear()
    if as_json:
        print_json(
            {
                "backup": str(made),
                "made": contents.made,
                "bytes": contents.size,
                "files": len(contents.files),
                "rows": contents.rows,
                "flaws": contents.flaws,
            }
        )
    else:
        samples = contents.rows.get("sample", 0)
        click.echo(
            f"{made}: whole, {len(contents.files)} files, {contents.size / (1 << 20):.1f} MiB, "
            f"{samples} samples in the store, read back and the same"
        )
    if contents.flaws:
        raise StoreError(_told(made, contents.flaws))


def _told(made: Path, flaws: dict[str, str]) -> str:
    shown = [f"{name}: {why}" for name, why in list(flaws.items())[:_SHOWN]]
    if len(flaws) > _SHOWN:
        shown.append(f"and {len(flaws) - _SHOWN} more")
    return (
        f"{made}: it holds all that there was, but sealed files were missing or damaged aboard already "
        f"({'; '.join(shown)}). Keep the earlier backups: copy these files from the archive folder of the newest one "
        "that has them into the archive folder beside the store"
    )
