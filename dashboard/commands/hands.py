"""Owns ``hands-on``: a part of the vessel is worked on for a while, and judged by nobody meanwhile."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import click

from dashboard.commands.options import author_option, author_or_user, json_option, print_json, settings_option
from dashboard.commands.stores import prepare
from logger.errors import UsageError

if TYPE_CHECKING:
    from logger.hands_on import HandsOn
    from logger.settings import Settings

KINDS = ("array", "cable", "controller", "bank", "enclosure", "fan", "source")
_LENGTH = re.compile(
    r"(?:(\d+(?:[.,]\d+)?)\s*d)?\s*(?:(\d+(?:[.,]\d+)?)\s*h)?\s*(?:(\d+(?:[.,]\d+)?)\s*m(?:in)?)?", re.I
)
_LONGEST = dt.timedelta(days=7)


@click.command("hands-on")
@click.argument("subject", default="")
@click.argument("text", default="")
@click.option("--for", "length", default="2h", show_default=True, metavar="TIME", help="How long: 2h, 90min, 1d.")
@click.option("--end", "ends", is_flag=True, help="The hands are out again, before the time is up.")
@author_option
@settings_option
@json_option
def hands_on(
    subject: str, text: str, length: str, ends: bool, author: str | None, settings_path: Path, as_json: bool
) -> None:
    """Say that hands are in a part for a while: what it reads meanwhile judges nothing.

    SUBJECT is a part of the settings, as array.cabin or "cable.gantry home run"; what hangs on it rests with it. TEXT
    goes to the logbook. It ends by itself; asked again, it goes on from now. Without SUBJECT: where hands are now.
    """
    from analysis.hands import reach
    from logger import hands_on as kept
    from logger import settings_file, store

    located = settings_file.read(settings_path)
    now = round(dt.datetime.now(dt.UTC).timestamp() * 1000)
    zone = ZoneInfo(located.settings.site.timezone)
    if not subject:
        if ends:
            raise UsageError("--end needs the part that the hands come out of, for instance array.cabin")
        with closing(store.open_reader(located.store_path)) as reader:
            _show([w for w in kept.between(reader, now, now + 1) if w.start <= now], zone, as_json)
        return
    _must_exist(subject, located.settings)
    stop = now + round(_parsed(length).total_seconds() * 1000)
    prepare(settings_path, located.store_path)
    with closing(store.open_writer(located.store_path)) as writer, store.transaction(writer):
        work = kept.end(writer, subject, now) if ends else kept.begin(writer, subject, now, stop)
        if work is None:
            raise UsageError(f"no hands are in {subject}; 'noonmark hands-on' says where they are")
        said = f"{subject}: hands out" if ends else f"{subject}: hands in it until {_clock(stop, zone)}"
        store.note(writer, now, author_or_user(author), f"{said}. {text}" if text else said, ["hands-on", subject])
    if as_json:
        print_json(_entry(work))
    click.echo(f"{said}. Written into the logbook.", err=True)
    for line in _after(subject) if ends else _before(subject, reach(subject, located.settings), located.store_path):
        click.echo(f"  {line}", err=True)


def _parsed(text: str) -> dt.timedelta:
    found = _LENGTH.fullmatch(text.strip())
    parts = [float(part.replace(",", ".")) if part else 0.0 for part in found.groups()] if found else [0.0] * 3
    length = dt.timedelta(days=parts[0], hours=parts[1], minutes=parts[2])
    if not length:
        raise UsageError(f"--for {text!r}: write how long, as 2h, 90min or 1d")
    if length > _LONGEST:
        raise UsageError(
            f"--for {text!r}: seven days at most; a part that stays as it is for longer is a 'noonmark change'"
        )
    return length


def _must_exist(subject: str, settings: Settings) -> None:
    kind, _, name = subject.partition(".")
    if kind not in KINDS or not name:
        raise UsageError(f"{subject!r} is no part of the settings; write for instance array.cabin ({', '.join(KINDS)})")
    standing = getattr(settings, kind)
    names = [part.name for part in (standing if isinstance(standing, list) else [standing] if standing else [])]
    if name not in names:
        there = ", ".join(dict.fromkeys(names)) or "none"
        raise UsageError(f"{subject}: the settings have no {kind} of that name; there is: {there}")


def _show(work: Iterable[HandsOn], zone: ZoneInfo, as_json: bool) -> None:
    standing = list(work)
    if as_json:
        print_json([_entry(one) for one in standing])
        return
    for one in standing:
        click.echo(f"{one.subject}: hands in it from {_clock(one.start, zone)} until {_clock(one.stop, zone)}")
    if not standing:
        click.echo("No hands are in any part.")


def _entry(work: HandsOn) -> dict[str, str]:
    from analysis.report import iso

    return {"subject": work.subject, "start": iso(work.start), "stop": iso(work.stop)}


def _before(subject: str, reached: set[str], path: Path) -> list[str]:
    """What is dangerous there by the record, and what to mind before touching such a part."""
    from analysis.results_reading import Results
    from dashboard.acts import cautions_of, dangers
    from logger.store import open_reader

    with closing(open_reader(path)) as reader:
        known = dangers(f for f in Results(reader).findings() if f.subject in reached)
    return [f"{danger.what}. {danger.caution}" for danger in known] + list(cautions_of(subject))


def _after(subject: str) -> list[str]:
    from dashboard.acts import CLOSED_AGAIN

    return [CLOSED_AGAIN, f"If something is not as it was: noonmark change {subject!r}."]


def _clock(t: int, zone: ZoneInfo) -> str:
    return f"{dt.datetime.fromtimestamp(t / 1000, zone):%d %B %H:%M %Z}"
