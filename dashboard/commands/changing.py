"""Owns the commands of the logbook: ``change``, a re-plugged circuit, and ``note``."""

from __future__ import annotations

import datetime as dt
import sys
import tomllib
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.judging import solar_day_of
from dashboard.commands.options import author_option, author_or_user, settings_option
from dashboard.commands.stores import prepare
from logger.errors import UsageError

if TYPE_CHECKING:
    from logger.changing import Change
    from logger.settings import Located, Settings


@click.command()
@click.argument("subject")
@click.argument("text", default="")
@click.option("--at", "at", metavar="DAY", help="First day on which it is so; today without it. May lie in the past.")
@click.option(
    "--set", "given", metavar="KEY=VALUE", multiple=True, help="What differs, instead of being asked; may be repeated."
)
@click.option("--yes", is_flag=True, help="Write without asking; --set says what differs.")
@author_option
@settings_option
def change(
    subject: str, text: str, at: str | None, given: tuple[str, ...], yes: bool, author: str | None, settings_path: Path
) -> None:
    """Note that a circuit was changed: the few keys that differ, from a day on.

    SUBJECT is a part of the settings, as array.cabin or "cable.gantry home run"; TEXT goes to the logbook. The part's
    entry in the settings file ends on the day before and a new one begins: days before it keep their verdict, the part
    gets a baseline of its own from there. A day in the past has the days since then judged anew.
    """
    from analysis.sun import day_start, solar_day
    from logger import changing, settings_file

    located = settings_file.read(settings_path)
    longitude = located.settings.site.longitude
    now = _now()
    today = solar_day(now, longitude)
    day = solar_day_of(at, longitude) or today
    kind, _, name = subject.partition(".")
    if kind not in changing.KINDS or not name:
        raise UsageError(f"{subject!r} is no part that can change; write for instance array.cabin ({_kinds()})")
    raw = tomllib.loads(located.text)
    stands = raw[kind][changing.standing(raw, kind, name, day)]
    asks = not (given or yes)
    if asks and not sys.stdin.isatty():
        raise UsageError(
            "change asks questions and needs a terminal; without one, say what differs with --set KEY=VALUE"
        )
    made = changing.Change(kind, name, day, _asked(kind, stands) if asks else dict(_set(kind, g) for g in given))
    written = settings_file.parse(changing.changed_text(located.text, made), where=str(settings_path))
    told = changing.told(raw, made)
    click.echo(f"{made.subject} from {day}: {told or 'nothing differs but the work done on it'}", err=True)
    _warn(located, written, made)
    if asks and not click.confirm("Write it?", default=True, err=True):
        raise UsageError("nothing was written")
    prepare(settings_path, located.store_path)
    entry = ": ".join(part for part in (f"{made.subject} from {day}", told) if part)
    since = day_start(day, longitude) if day < today else None
    changing.make(located, made, since, now, author_or_user(author), f"{entry}. {text}" if text else entry)
    click.echo(f"Written: {settings_path}, and the logbook.", err=True)
    click.echo("A logger that runs goes on as it is; only a changed [[source]] needs it to start anew.", err=True)


@click.command()
@click.argument("text")
@click.option("--tag", "tags", multiple=True, metavar="WORD", help="A word to find it by, as array.cabin; repeatable.")
@author_option
@settings_option
def note(text: str, tags: tuple[str, ...], author: str | None, settings_path: Path) -> None:
    """Write an entry into the logbook."""
    from logger import settings_file, store

    if not text.strip():
        raise UsageError("an entry needs words")
    odd = next((tag for tag in tags if not tag.strip() or "," in tag), None)
    if odd is not None:
        raise UsageError(f"--tag {odd!r}: a tag is one word or subject, without a comma")
    path = settings_file.read(settings_path).store_path
    prepare(settings_path, path)
    with closing(store.open_writer(path)) as connection, store.transaction(connection):
        store.note(connection, _now(), author_or_user(author), text.strip(), [tag.strip() for tag in tags])
    click.echo("Written into the logbook.", err=True)


def _now() -> int:
    return round(dt.datetime.now(dt.UTC).timestamp() * 1000)


def _kinds() -> str:
    from logger.changing import KINDS

    return ", ".join(KINDS)


def _asked(kind: str, stands: dict[str, Any]) -> dict[str, Any]:
    from dashboard.questions import Interview

    return Interview().differing(kind, stands)


def _set(kind: str, given: str) -> tuple[str, Any]:
    """One ``KEY=VALUE`` as it is written in the file; no TOML counts as text, an empty value takes the key away.

    A decimal comma and a unit behind a number are understood.
    """
    from dashboard import positions

    key, equals, value = (part.strip() for part in given.partition("="))
    if not (key and equals):
        raise UsageError(f"--set {given!r}: write KEY=VALUE, for instance area=6")
    if key in ("name", "from", "until"):
        raise UsageError(f"--set {given!r}: {key} is not for change to set; --at says from when on")
    if not value:
        return key, None
    try:
        return key, tomllib.loads(f"value = {value}")["value"]
    except tomllib.TOMLDecodeError:
        pass
    try:
        return key, positions.number(value)
    except ValueError:
        return key, value


def _warn(located: Located, written: Settings, made: Change) -> None:
    """What the drawing shows now and did not before, and the caution that stands beside this work."""
    from analysis.hazards import hazards
    from dashboard import acts, drawing

    before = {(h.rule, h.subject) for h in hazards(located.settings, made.day)}
    for hazard in _worst_first([h for h in hazards(written, made.day) if (h.rule, h.subject) not in before]):
        what, do, caution = drawing.words(hazard)
        click.echo(f"  {hazard.subject}: {what}; {do}. {caution}".rstrip(), err=True)
    if made.kind in ("array", "cable", "controller"):
        click.echo(f"  {acts.ARRAY_LIVE} {acts.CODES}", err=True)


def _worst_first(found: Sequence[Any]) -> list[Any]:
    from analysis.hazards import PRIORITIES

    return sorted((h for h in found if h.priority != "cannot tell"), key=lambda h: PRIORITIES.index(h.priority))
