"""Owns the making of a store, for the commands that write into one: not where its disk is not mounted."""

from __future__ import annotations

from pathlib import Path

import click


def prepare(settings_path: Path, store: Path) -> None:
    """Bring the store up to date, or make it.

    Raises
    ------
    StoreError
        Its disk is not mounted, or `logger.schema.prepare` refuses it.
    """
    from logger import schema, store_disk
    from logger.errors import StoreError

    settings = settings_path.resolve()
    if said := store_disk.absent(settings, store):
        raise StoreError(said)
    if said := store_disk.changed(settings, store):
        click.echo(said, err=True)
    schema.prepare(store)
    store_disk.remember(settings, store)
