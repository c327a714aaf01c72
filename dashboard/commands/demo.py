"""Owns ``demo``: the work barge Lapwing end to end, from bytes on a wire to a verdict on a page."""

from __future__ import annotations

import contextlib
import datetime as dt
import fcntl
import shutil
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING

import click

from dashboard.commands.options import json_option
from logger.errors import UsageError

if TYPE_CHECKING:
    from fixtures.lapwing.kit import Kit

MARKER = ".noonmark-demo"
# What an earlier demo leaves; nothing else in the folder is touched.
LEAVINGS = ("noonmark.toml", "history.csv", "truth.json", "lapwing.db*", "lines", "archive")
LINES_SHOWN = 20


@click.command()
@click.option(
    "--folder",
    type=click.Path(path_type=Path),
    default=Path("noonmark-demo"),
    show_default=True,
    help="Where it is played: a new or empty folder, or one of an earlier demo.",
)
@click.option("--days", type=click.IntRange(1, 400), default=14, show_default=True, help="Solar days to tell.")
@click.option("--no-serve", is_flag=True, help="End with the verdict; serve no pages.")
@json_option
@click.option("--healthy", is_flag=True, help="The same weather and work, with nothing wrong.")
@click.option("--kit", type=click.Choice(["full", "bare"]), default="full", show_default=True, help="What is measured.")
@click.option("--port", type=click.IntRange(1, 65_535), default=8050, show_default=True, help="Where the pages go.")
def demo(folder: Path, days: int, no_serve: bool, as_json: bool, healthy: bool, kit: Kit, port: int) -> None:
    """Play the fictional vessel end to end: simulate, record over pseudo-terminals, assess, serve the pages.

    Everything aboard is invented, and always happens in the same fortnight of June 2026. The folder keeps the
    settings file, the history, the store, and truth.json: what was planted, which the analysis never reads.
    """
    with claimed(folder):
        told = _play(folder, days, healthy, kit)
        _judge(told, as_json)
        if not no_serve:
            _serve(told, port)


@dataclass(frozen=True, slots=True)
class Told:
    """A story that was played into a folder: its settings file, its solar days, the moment at which it ends."""

    settings: Path
    first: dt.date
    last: dt.date
    end: dt.datetime


@contextlib.contextmanager
def claimed(folder: Path) -> Iterator[None]:
    """Make the folder ready, and keep it from another demo meanwhile.

    Raises
    ------
    UsageError
        It is no folder, cannot be written, holds something else than an earlier demo, or a demo still runs in it.
    """
    held = _opened(folder)
    with held:
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise UsageError(
                f"--folder {folder}: a demo still runs in it; end that one with Ctrl-C, or name another folder"
            ) from None
        _clear(folder)
        yield


def _opened(folder: Path) -> IO[str]:
    """The folder's marker, open; the folder is made where it is missing."""
    marker = folder / MARKER
    try:
        if folder.exists() and not folder.is_dir():
            raise UsageError(f"--folder {folder}: that is a file; name a new folder, or one of an earlier demo")
        if folder.is_dir() and not marker.is_file() and any(folder.iterdir()):
            raise UsageError(
                f"--folder {folder}: it holds files that no demo made, and none of them is touched; "
                "name a new or empty folder, or one of an earlier demo"
            )
        folder.mkdir(parents=True, exist_ok=True)
        return marker.open("a", encoding="utf-8")
    except OSError as fault:
        raise UsageError(f"--folder {folder}: it cannot be used ({fault.strerror}); name another folder") from None


def _clear(folder: Path) -> None:
    for pattern in LEAVINGS:
        for found in folder.glob(pattern):
            if found.is_dir() and not found.is_symlink():
                shutil.rmtree(found)
            else:
                found.unlink()


def _play(folder: Path, days: int, healthy: bool, kit: Kit) -> Told:
    """Write the history, bring it in, and record the live minutes."""
    from dashboard.commands.importing import import_files
    from fixtures.lapwing.history import write
    from fixtures.lapwing.live import tell
    from fixtures.lapwing.story import FIRST_DAY, Story
    from fixtures.lapwing.vessel import sail
    from logger import settings_file

    _say(f"Lapwing, an invented work barge: {days} days from {FIRST_DAY:%-d %B %Y} are worked out in {folder}")
    story = Story.told(days, healthy)
    voyage = sail(story)
    written = write(folder, story, voyage, kit)
    _say("her history is brought in with 'noonmark import'")
    with contextlib.redirect_stdout(sys.stderr):
        words = ["--source", "history", "--settings", str(written.settings), str(written.history)]
        import_files.main(words, standalone_mode=False)
    _say("her last ten minutes go over three serial lines to the logger, sixty times as fast as they were")
    plan = settings_file.plan(settings_file.read(written.settings))
    tell(story, voyage, kit, folder.resolve() / "lines", plan, _progress())
    return Told(written.settings, FIRST_DAY, story.last_day, dt.datetime.fromtimestamp(story.end_s, dt.UTC))


def _judge(told: Told, as_json: bool) -> None:
    from dashboard.commands.judging import assess

    _say("her record is judged with 'noonmark assess'")
    words = ["--settings", str(told.settings), "--from", told.first.isoformat(), "--to", told.last.isoformat()]
    assess.main([*words, "--json"] if as_json else words, standalone_mode=False)


def _serve(told: Told, port: int) -> None:
    from dashboard.app import create_app
    from dashboard.commands.showing import HOST, free_port, serve
    from logger import settings_file

    free = free_port(port)
    if free != port:
        _say(f"port {port} is taken by another program; the pages go to {free} instead")
    store = settings_file.read(told.settings).store_path
    serve(create_app(store, told.settings, story_time=told.end.isoformat()), HOST, free)


def _progress() -> Callable[[float], None]:
    """A growing line on a terminal; nothing where standard error goes elsewhere."""
    if not sys.stderr.isatty():
        return lambda _: None

    def show(share: float) -> None:
        done = round(share * LINES_SHOWN)
        click.echo(f"\r  [{'=' * done}{' ' * (LINES_SHOWN - done)}] {share:4.0%}", err=True, nl=share >= 1)

    return show


def _say(text: str) -> None:
    click.echo(text, err=True)
