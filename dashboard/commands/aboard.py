"""Owns `run`: everything for living aboard, in one command."""

from __future__ import annotations

from pathlib import Path

import click

from dashboard.commands.options import settings_option
from dashboard.commands.recording import become, ready_to_record
from dashboard.commands.showing import PORT


@click.command()
@settings_option
@click.option(
    "--port", type=click.IntRange(1, 65_535), default=PORT, show_default=True, help="Where the pages are served."
)
@click.option("--without-pages", is_flag=True, help="Serve no pages.")
def run(settings_path: Path, port: int, without_pages: bool) -> None:
    """Everything for living aboard: record, assess by the hour, seal old days at night, serve the pages.

    Each is a process of its own, so that none can take the recording down. SIGTERM or Ctrl-C stops all cleanly.
    [schedule] in the settings says when.
    """
    from dashboard.schedule import Schedule
    from dashboard.supervise import Orders
    from logger import settings_file

    plan = ready_to_record(settings_path)
    settings = settings_file.read(settings_path).settings
    orders = Orders(
        plan=plan.to_json(),
        store=plan.store_path,
        settings=str(settings_path.absolute()),
        schedule=Schedule(
            settings.site.longitude,
            settings.schedule.assess_every_min,
            settings.schedule.archive_after_midnight_min,
        ),
        port=None if without_pages else port,
    )
    become("dashboard.supervise", "--orders-fd", orders.to_json())
