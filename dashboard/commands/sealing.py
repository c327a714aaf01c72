"""Owns `archive`, which seals old days, and `export`, which takes a span of the record out."""

from __future__ import annotations

import datetime as dt
import fnmatch
import sqlite3
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashboard.commands.options import json_option, print_json, settings_option
from logger.errors import StoreError, UsageError

if TYPE_CHECKING:
    from logger.archive import Done

_QUIET_S = 2.0


@click.command()
@settings_option
@json_option
def archive(settings_path: Path, as_json: bool) -> None:
    """Seal old days into compressed files beside the store.

    Samples older than store.hot_days move into one Parquet file a day under archive/, minutes older than 400 days into
    one a month; each is read back and compared first. Every command reads them there as before. Safe beside a running
    logger, and safe to end at any moment: the next run goes on.
    """
    from logger import schema, settings_file, store
    from logger.archive import Archive
    from logger.clock import SystemClock
    from logger.sealed import FOLDER, at_work, missing

    located = settings_file.read(settings_path)
    path = located.store_path
    if not path.exists():
        raise StoreError(f"store {path}: there is none yet; record or import something first")
    schema.prepare(path)
    line = Line()
    with at_work(path), closing(store.open_writer(path)) as connection:
        lost = missing(connection)
        try:
            done = Archive(connection, line.show).seal(located.settings.store.hot_days, SystemClock().now_ms())
        except sqlite3.Error as fault:
            raise StoreError(f"store {path}: {fault}; nothing is lost, seal again when that is mended") from None
        finally:
            line.clear()
    if as_json:
        print_json(
            {
                "days": [day.isoformat() for day in done.days],
                "months": [f"{day:%Y-%m}" for day in done.months],
                "reopened": [day.isoformat() for day in done.reopened],
                "samples": done.samples,
                "minutes": done.minutes,
                "bytes": done.file_bytes,
            }
        )
    else:
        click.echo(_told(done, located.settings.store.hot_days))
    if lost:
        raise StoreError(
            f"{path.parent / FOLDER}: {_count(len(lost), 'sealed file')} missing, first {lost[0]}; bring "
            f"{'it' if len(lost) == 1 else 'them'} back from a backup, what was in there lies nowhere else"
        )


def _told(done: Done, hot_days: int) -> str:
    if not done.days and not done.months:
        return f"Nothing to seal: samples of the last {hot_days} days stay in the store."
    parts = []
    if done.days:
        parts.append(f"{_count(len(done.days), 'day')} of samples ({done.samples:,})")
    if done.months:
        parts.append(f"{_count(len(done.months), 'month')} of minutes ({done.minutes:,})")
    text = f"Sealed {' and '.join(parts)} in {done.file_bytes / 1e6:,.1f} MB."
    if done.reopened:
        text += f" {_count(len(done.reopened), 'day')} of them had been sealed before, and got late data."
    return text


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'s' if number != 1 else ''}"


class Line:
    """One line of progress on a terminal, once the work has lasted two seconds."""

    def __init__(self) -> None:
        self._began = time.monotonic()
        self._shown = False

    def show(self, text: str) -> None:
        if sys.stderr.isatty() and time.monotonic() - self._began > _QUIET_S:
            click.echo(f"\r\x1b[K{text}", nl=False, err=True)
            self._shown = True

    def clear(self) -> None:
        if self._shown:
            click.echo("\r\x1b[K", nl=False, err=True)
            self._shown = False


@click.command()
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path, dir_okay=False, allow_dash=True))
@settings_option
@click.option("--from", "first", metavar="DAY", help="First solar day, or a time with zone.")
@click.option("--to", "last", metavar="DAY", help="Last solar day, included, or a time with zone, left out.")
@click.option("--channel", "patterns", metavar="NAME", multiple=True, help="A channel, or a pattern: 'array.*'.")
@click.option(
    "--resolution",
    type=click.Choice(["samples", "minute", "hour", "day"]),
    default="samples",
    show_default=True,
    help="How fine.",
)
@json_option
def export(
    file: Path,
    settings_path: Path,
    first: str | None,
    last: str | None,
    patterns: tuple[str, ...],
    resolution: str,
    as_json: bool,
) -> None:
    """Take a span of the record out as CSV or Parquet.

    FILE ends in .csv or .parquet; "-" writes CSV to standard output. Times are ISO 8601 in UTC, units stand in the
    header. An export of samples can be brought back with `noonmark import FILE`, into this store or another.
    """
    from logger import exporting, schema, settings_file
    from logger.store import open_reader

    located = settings_file.read(settings_path)
    if file.name != "-" and file.exists():
        raise UsageError(f"{file}: is there already; name another file, or move that one away")
    if located.store_path.exists():
        schema.prepare(located.store_path)
    longitude = located.settings.site.longitude
    start, stop = moment_of(first, longitude, 0), moment_of(last, longitude, 1)
    if start is not None and stop is not None and start >= stop:
        raise UsageError(f"--to {last} does not lie after --from {first}; change the two")
    line = Line()
    with closing(open_reader(located.store_path)) as connection:
        rows = exporting.export(
            connection,
            sys.stdout if file.name == "-" else file,
            0 if start is None else start,
            1 << 52 if stop is None else stop,
            matching(connection, patterns) if patterns else None,
            resolution,  # type: ignore[arg-type]
            lambda part: line.show(f"{part:.0%}"),
        )
    line.clear()
    if as_json and file.name != "-":
        print_json({"file": str(file), "rows": rows})
    elif file.name != "-":
        click.echo(f"{file}: {rows:,} rows" if rows else f"{file}: the record holds nothing of that span")


def matching(connection: sqlite3.Connection, patterns: tuple[str, ...]) -> set[str]:
    """The channels of the record that names and patterns stand for.

    Raises
    ------
    UsageError
        One of them stands for none.
    """
    names = [name for (name,) in connection.execute("SELECT name FROM channel ORDER BY name")]
    found: set[str] = set()
    for pattern in patterns:
        own = fnmatch.filter(names, pattern)
        if not own:
            raise UsageError(f"the record holds no channel {pattern!r}; it holds {', '.join(names) or 'none'}")
        found.update(own)
    return found


def moment_of(text: str | None, longitude: float, days_after: int) -> int | None:
    """A time with its zone, or the beginning of a solar day (of one after it), UTC [ms].

    Raises
    ------
    UsageError
        It is neither.
    """
    from analysis.sun import day_start
    from dashboard.commands.judging import solar_day_of

    if text is None:
        return None
    day = solar_day_of(text, longitude)
    if day is None or len(text) > 10:
        return round(dt.datetime.fromisoformat(text).timestamp() * 1000)
    return day_start(day + dt.timedelta(days_after), longitude)
