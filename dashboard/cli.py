"""Owns the command line's door: one group whose commands are imported only when called for."""

from __future__ import annotations

import errno
import importlib
import sqlite3
import sys
from typing import Any

import click

import logger
from dashboard import screen
from logger.errors import NoonmarkError

# Command -> module:attribute. Adding a command is one line here and one function there.
COMMANDS = {
    "demo": "dashboard.commands.demo:demo",
    "new": "dashboard.commands.building:new",
    "check": "dashboard.commands.building:check",
    "listen": "dashboard.commands.recording:listen",
    "run": "dashboard.commands.aboard:run",
    "record": "dashboard.commands.recording:record",
    "clock": "dashboard.commands.clock:clock",
    "import": "dashboard.commands.importing:import_files",
    "assess": "dashboard.commands.judging:assess",
    "findings": "dashboard.commands.judging:findings",
    "export": "dashboard.commands.sealing:export",
    "archive": "dashboard.commands.sealing:archive",
    "change": "dashboard.commands.changing:change",
    "note": "dashboard.commands.changing:note",
    "hands-on": "dashboard.commands.hands:hands_on",
    "backup": "dashboard.commands.keeping:backup",
    "pages": "dashboard.commands.showing:pages",
}


class LazyGroup(click.Group):
    """A group that imports a command's module only when that command is asked for."""

    def main(self, *arguments: Any, **named: Any) -> Any:
        screen.prepare()
        return super().main(*arguments, **named)

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, attribute = COMMANDS[cmd_name].split(":")
        command: click.Command = getattr(importlib.import_module(module), attribute)
        return command

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except NoonmarkError as fault:
            click.echo(str(fault), err=True)
            sys.exit(fault.exit_status)
        except Exception as fault:
            told = _of_the_disk(fault)
            if told is None:
                raise
            click.echo(told, err=True)
            sys.exit(1)


def _of_the_disk(fault: Exception) -> str | None:
    """What a disk, or the store on it, refused where no command had more to say of it; None for all else."""
    if isinstance(fault, sqlite3.Error):
        what = {
            sqlite3.SQLITE_FULL: "its disk is full: make room there",
            sqlite3.SQLITE_BUSY: "another program holds it: end that, or wait for it",
            sqlite3.SQLITE_READONLY: "this user may not write it: check its owner, and that its disk can be written",
            sqlite3.SQLITE_CORRUPT: "it is damaged: 'noonmark record' moves it aside and brings back what still reads",
            sqlite3.SQLITE_IOERR: "its disk fails or is full: see that there is room, and look at the kernel's log",
        }.get(getattr(fault, "sqlite_errorcode", 0) & 0xFF)
        return f"the store could not be used ({fault}); {what}, then do this again" if what else None
    if isinstance(fault, OSError) and fault.errno in (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EIO):
        where = f"{fault.filename}: " if fault.filename else ""
        return f"{where}{fault.strerror}; see to the disk or the rights there, then do this again"
    return None


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(logger.__version__, prog_name="noonmark")
def main() -> None:
    """Keep a record of a small vessel's solar charging, and say what is wrong.

    Local codes and licensed practice come first. Noonmark only reads: it never switches anything.
    """
