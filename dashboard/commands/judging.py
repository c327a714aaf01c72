"""Owns the commands that judge: `assess` and `findings`."""

from __future__ import annotations

import datetime as dt
import sqlite3
import sys
import time
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import click

from dashboard.commands.options import json_option, print_json, settings_option
from logger.errors import UsageError

_RANK = ("high", "medium", "low")
_fail_option = click.option(
    "--fail-on",
    type=click.Choice(_RANK),
    help="Exit with 3 where a finding of this priority or a higher one is open.",
)


@click.command()
@settings_option
@click.option("--from", "first", metavar="DAY", help="First solar day, or a time with zone.")
@click.option("--to", "last", metavar="DAY", help="Last solar day, or a time with zone; both are included.")
@click.option("--quality", is_flag=True, help="Count what is missing, marked, or cannot be, channel by channel.")
@json_option
@_fail_option
def assess(
    settings_path: Path, first: str | None, last: str | None, quality: bool, as_json: bool, fail_on: str | None
) -> None:
    """Judge the harvest: work out what is new, print yields and findings.

    Without --from and --to the last 14 solar days that hold data are printed.
    """
    from logger import settings_file

    located = settings_file.read(settings_path)
    longitude = located.settings.site.longitude
    begin, end = solar_day_of(first, longitude), solar_day_of(last, longitude)
    if begin is not None and end is not None and begin > end:
        raise UsageError(f"--to {last} lies before --from {first}; change the two")
    verdict = run_assessment(located, begin, end, quality)
    if as_json:
        print_json(verdict)
    elif verdict["to"] is None and not (begin is None and end is None):
        click.echo(
            "No day of that span holds anything to judge; without --from and --to the last ones that do are shown."
        )
    else:
        from dashboard.terminal import assess_text

        click.echo(assess_text(verdict, timezone=located.settings.site.timezone))
    leave_with(verdict["findings"], fail_on)


@click.command()
@settings_option
@click.option("--all", "everything", is_flag=True, help="Returned findings too.")
@json_option
@_fail_option
def findings(settings_path: Path, everything: bool, as_json: bool, fail_on: str | None) -> None:
    """Print the open findings, the worst first, with what to measure next."""
    from analysis.report import finding_entry
    from analysis.results_reading import Results
    from logger import settings_file
    from logger.store import open_reader

    located = settings_file.read(settings_path)
    connection = open_reader(located.store_path)
    try:
        found = [f for f in Results(connection).findings() if everything or f.is_open]
    finally:
        connection.close()
    entries = [finding_entry(f) for f in found]
    if as_json:
        print_json(entries)
    else:
        from dashboard.terminal import findings_text

        click.echo(findings_text(found, located.settings.site.timezone))
    leave_with(entries, fail_on)


def run_assessment(
    located: Any, first: dt.date | None = None, last: dt.date | None = None, quality: bool = False
) -> dict[str, Any]:
    """Assess what is new and give the verdict over a span, with the quality of its record where that is asked for;
    progress on a terminal's standard error."""
    from analysis.assess import assess as assess_store
    from analysis.report import verdict
    from analysis.results_reading import Results
    from logger import schema
    from logger.store import open_reader

    if located.store_path.exists():
        schema.prepare(located.store_path)
        _make_whole(located.store_path)
    on_terminal = sys.stderr.isatty()

    def progress(done: int, total: int) -> None:
        if on_terminal and total > 20:
            click.echo(f"\r{done} of {total} days judged", err=True, nl=done == total)

    assess_store(located, progress)
    connection = open_reader(located.store_path)
    try:
        results = Results(connection)
        leave_findings(located, results)
        longitude = located.settings.site.longitude
        told = verdict(results, located.settings, first, last)
        return told | {"quality": _quality(connection, told, first, last, longitude)} if quality else told
    finally:
        connection.close()


def _quality(
    connection: sqlite3.Connection, told: dict[str, Any], first: dt.date | None, last: dt.date | None, longitude: float
) -> list[dict[str, Any]]:
    """Of every channel, over all solar days that were asked for, else from the first of the verdict to its last."""
    from analysis.quality import of_span
    from analysis.sun import DAY_MS, day_start

    if told["to"] is None:
        return []
    begin, end = first or dt.date.fromisoformat(told["from"]), last or dt.date.fromisoformat(told["to"])
    span = day_start(begin, longitude), day_start(end, longitude) + DAY_MS
    return [of_channel.as_json() for of_channel in of_span(connection, *span)]


def _make_whole(store: Path) -> None:
    """Take up files of the archive that the store does not know, and roll up what came late to sealed days."""
    from logger import sealed
    from logger.clock import SystemClock
    from logger.errors import ArchiveBusy
    from logger.store import open_reader, open_writer

    with closing(open_reader(store)) as connection:
        if not sealed.with_rows_beside(connection) and not sealed.unknown_files(connection):
            return
    from logger.adopting import adopt
    from logger.reopening import take_in_late

    # An archive that is at work already does both by itself.
    with suppress(ArchiveBusy), sealed.at_work(store), closing(open_writer(store)) as connection:
        adopt(connection)
        take_in_late(connection, SystemClock().now_ms())


def leave_findings(located: Any, results: Any) -> None:
    """Leave the open findings with the broker of [publish]; one that is away is told, and spoils nothing."""
    from analysis.report import finding_entry
    from logger.errors import LineFault
    from logger.settings_file import publish_plan

    plan = publish_plan(located)
    if plan is None:
        return
    from logger.publishing import publish_findings

    entries = [finding_entry(found) for found in results.findings() if found.is_open]
    try:
        publish_findings(plan, located.settings.site.name, time.time_ns() // 1_000_000, entries)
    except LineFault as fault:
        click.echo(f"the findings were not published: {fault}", err=True)


def solar_day_of(text: str | None, longitude: float) -> dt.date | None:
    """The solar day that a person names: a date, or a time with its zone.

    Raises
    ------
    UsageError
        It is neither.
    """
    from analysis.sun import solar_day

    if text is None:
        return None
    try:
        if len(text) <= 10:
            day = dt.date.fromisoformat(text)
            _believed(text, day.year)
            return day
        moment = dt.datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{text!r} is no date; write 2026-06-12, or a time with its zone: 2026-06-12T08:00Z") from None
    if moment.tzinfo is None:
        raise UsageError(f"{text!r} lacks its zone; write for instance {text}Z for UTC")
    _believed(text, moment.year)
    return solar_day(round(moment.timestamp() * 1000), longitude)


def _believed(text: str, year: int) -> None:
    """Refuse what can be no day of a record.

    Raises
    ------
    UsageError
        Before 1980 or after 2037, where no clock is believed.
    """
    if not 1980 <= year <= 2037:
        raise UsageError(f"{text!r}: the record holds no day before 1980 or after 2037")


def leave_with(entries: list[dict[str, Any]], fail_on: str | None) -> None:
    """Exit with 3 where a finding that bad is open."""
    if fail_on is None:
        return
    worst = _RANK[: _RANK.index(fail_on) + 1]
    if any(e["priority"] in worst and e["state"] in ("unacknowledged", "acknowledged") for e in entries):
        sys.exit(3)
