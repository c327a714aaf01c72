"""Owns the commands that draw: `new` writes a settings file by asking, `check` judges one."""

from __future__ import annotations

import dataclasses
import datetime as dt
import os
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashboard.commands.options import json_option, print_json, settings_option
from logger.errors import NoonmarkError, UsageError

if TYPE_CHECKING:
    from analysis.hazards import Hazard
    from logger.settings import Located

_RANK = ("high", "medium", "low")


@click.command()
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False), default=Path("noonmark.toml"))
@click.option("--yes", is_flag=True, help="Ask nothing: write placeholders, to be changed by hand.")
def new(path: Path, yes: bool) -> None:
    """Write a commented settings file by asking.

    PATH is noonmark.toml unless given. Nothing is written before the last question; Ctrl-C leaves everything as it was.
    """
    from dashboard import draft
    from dashboard.questions import Interview
    from logger import settings_file

    if not path.parent.is_dir():
        raise UsageError(f"{path}: there is no folder {path.parent}; make it first, or name another place")
    asks = not yes
    if asks and not sys.stdin.isatty():
        raise UsageError(
            "new asks questions and needs a terminal; without one, --yes writes placeholders to be changed by hand"
        )
    if path.exists() and not (asks and click.confirm(f"{path} exists. Write over it at the end?", default=False)):
        raise UsageError(f"{path} exists and is left as it is; name another place, or move it aside")
    answers = Interview(placeholders=yes).run()
    text = draft.text(answers, placeholders=yes)
    settings_file.parse(text, where=str(path))
    _write(path, text)
    click.echo(f"\nWritten: {path}", err=True)
    option = "" if path == Path("noonmark.toml") else f" --settings {path}"
    click.echo("Next: 'noonmark listen' shows what a line sends and proposes its [[source]] block;", err=True)
    click.echo(f"then 'noonmark check{option}', before anything is connected.", err=True)


def _write(path: Path, text: str) -> None:
    """Whole or not at all: a power cut leaves the old file or the new one."""
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(handle, "w", encoding="utf-8") as draft:
            draft.write(text)
            draft.flush()
            os.fsync(draft.fileno())
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except OSError as fault:
        raise NoonmarkError(f"{path}: cannot be written ({fault.strerror}); name another place") from None


@click.command()
@settings_option
@json_option
@click.option(
    "--fail-on", type=click.Choice(_RANK), help="Exit with 3 where a hazard of this priority or a higher one is found."
)
def check(settings_path: Path, as_json: bool, fail_on: str | None) -> None:
    """Judge the drawing: form, limits, hazards, before anything is connected.

    Mistakes of form are told all at once, and end with 2. Local codes and licensed practice come first.
    """
    from analysis.hazards import circuits
    from dashboard import drawing
    from logger import settings_file

    located = settings_file.read(settings_path)
    today = dt.datetime.now(dt.UTC).date()
    found = _found(located, today)
    sides = circuits(located.settings, today)
    if as_json:
        print_json(
            {
                "site": located.settings.site.name,
                "settings": str(located.path),
                "circuits": [dataclasses.asdict(side) for side in sides],
                "hazards": [_entry(number, hazard) for number, hazard in enumerate(found, 1)],
            }
        )
    else:
        click.echo(drawing.sheet(located.settings, sides, found))
    if fail_on and any(hazard.priority in _RANK[: _RANK.index(fail_on) + 1] for hazard in found):
        sys.exit(3)


def _found(located: Located, today: dt.date) -> list[Hazard]:
    """The hazards of the drawing, of the store's place and of the installation, the worst first."""
    from analysis.hazards import PRIORITIES, Hazard, hazards
    from dashboard.installation import strangers
    from logger.place import file_system

    found = [Hazard("names-shared", "installation", "high", {"sentence": sentence}) for sentence in strangers()]
    kind, name = file_system(located.store_path)
    if kind in ("network", "fat", "memory"):
        priority = "high" if kind == "network" else "medium"
        found.append(Hazard("store-place", "store", priority, {"kind": kind, "file_system": name}))
    found += hazards(located.settings, today)
    return sorted(found, key=lambda hazard: PRIORITIES.index(hazard.priority))


def _entry(number: int, hazard: Hazard) -> dict[str, object]:
    from dashboard.drawing import words

    what, do, caution = words(hazard)
    said = {"summary": what, "do": do, "caution": caution or None}
    return {"number": number, **dataclasses.asdict(hazard), **said}
