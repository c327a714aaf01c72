"""Owns the commands at the wire: ``record`` and ``listen``."""

from __future__ import annotations

import dataclasses
import os
import signal
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashboard.commands.options import json_option, print_json, settings_option
from dashboard.commands.probing import Probe, RegisterRange, probe

if TYPE_CHECKING:
    from logger.plan import Plan

SPEEDS = (9600, 19200, 115200, 4800, 38400, 57600, 2400, 1200)
_ENOUGH_LINES = 4
_NOISE_BYTES = 400
_PATIENT = 3
_ANSWER_S = 1.0
"""How long a unit on a bus may take, unless less is asked for."""


@click.command()
@settings_option
@click.option(
    "--capture",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also keep the raw bytes of live lines in this file, with their times: the form in which trouble is reported.",
)
def record(settings_path: Path, capture: Path | None) -> None:
    """Record what the sources send, until stopped.

    The process becomes the lean logger: same process id, no part of the analysis in memory. SIGTERM or Ctrl-C stops it
    cleanly.
    """
    plan = ready_to_record(settings_path)
    plan = dataclasses.replace(plan, capture=str(capture.absolute()) if capture else None)
    become("logger", "--plan-fd", plan.to_json())


def ready_to_record(settings_path: Path) -> Plan:
    """The logger's plan, with its store there and up to date, or to be prepared later where it cannot be written now.

    Raises
    ------
    UsageError
        There is nothing to record.
    StoreError
        The store would be a first one, on a disk that is not mounted.
    """
    from logger import settings_file, store_disk
    from logger.errors import StoreError, UsageError
    from logger.place import warning

    plan = settings_file.plan(settings_file.read(settings_path))
    if not plan.sources:
        raise UsageError(f"{settings_path}: no [[source]] to record; 'noonmark listen' proposes one")
    settings, store = settings_path.resolve(), Path(plan.store_path)
    said = store_disk.absent(settings, store)
    if said and not store_disk.is_known(settings, store):
        raise StoreError(said)
    for told in (said, None if said else store_disk.changed(settings, store), warning(store)):
        if told:
            click.echo(told, err=True)
    prepared = not said and _prepare(store)
    if prepared:
        store_disk.remember(settings, store)
    return dataclasses.replace(plan, prepared=prepared)


def _prepare(store: Path) -> bool:
    """Bring the store up to date in a child, so that what it imports goes with it.

    Returns
    -------
    bool
        False where it is there and cannot be written now: the logger begins without it.
    """
    from logger.trouble import NOT_NOW

    done = subprocess.run([sys.executable, "-P", "-m", "logger.schema", str(store)], check=False)
    if done.returncode not in (0, NOT_NOW):
        sys.exit(done.returncode)
    return done.returncode == 0


def become(module: str, option: str, text: str) -> None:
    """Replace this process by a lean one; the text that it runs on travels in memory, for it may be long."""
    # A signal that comes from here on waits until the new program listens for it, and then stops it cleanly.
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM, signal.SIGINT})
    sys.stdout.flush()
    sys.stderr.flush()
    descriptor = os.memfd_create("plan", 0)
    with os.fdopen(descriptor, "w", encoding="utf-8", closefd=False) as file:
        file.write(text)
    os.lseek(descriptor, 0, os.SEEK_SET)
    os.execv(sys.executable, [sys.executable, "-P", "-m", module, option, str(descriptor)])


@click.command()
@click.argument("line", required=False)
@click.option("--baud", type=click.IntRange(50, 4_000_000), help="Speed; without it the usual ones are tried.")
@click.option(
    "--seconds",
    type=click.FloatRange(0.2, 600),
    default=5.0,
    show_default=True,
    help="How long to wait at each speed. Longer for a device that seldom speaks.",
)
@click.option(
    "--registers",
    type=RegisterRange(),
    metavar="FIRST-LAST",
    help="Ask a unit on a Modbus for these registers, and show all that they can mean.",
)
@click.option("--node", type=click.IntRange(0, 255), default=1, show_default=True, help="The unit's number on the bus.")
@click.option(
    "--function",
    type=click.Choice(["3", "4"]),
    default="3",
    show_default=True,
    help="3 reads holding registers, 4 input registers.",
)
@click.option(
    "--parity",
    type=click.Choice(["none", "even", "odd"]),
    default="none",
    show_default=True,
    help="Of the line, with --registers.",
)
@json_option
def listen(
    line: str | None,
    baud: int | None,
    seconds: float,
    registers: range | None,
    node: int,
    function: str,
    parity: str,
    as_json: bool,
) -> None:
    """List serial lines, or show what LINE sends and propose a [[source]] block for it.

    LINE is a device or a URL such as socket://host:port. Listening needs no settings file and sends nothing; only with
    --registers are questions sent, and they only read. LINE may then also be tcp://HOST:PORT.
    """
    if line is None:
        if registers is not None:
            raise click.UsageError("--registers needs LINE: the bus on which the unit hangs")
        _list(as_json)
    elif registers is not None:
        speeds = (baud,) if baud else SPEEDS
        probe(
            Probe(line, _stable_name(line), speeds, parity, node, int(function), registers, min(seconds, _ANSWER_S)),
            as_json,
        )
    else:
        _show(line, (baud,) if baud else SPEEDS, seconds, as_json)


def _list(as_json: bool) -> None:
    from logger.sources.known_lines import known_lines

    lines = known_lines()
    if as_json:
        print_json(
            {
                "lines": [
                    {
                        "name": one.name,
                        "device": one.device,
                        "about": one.about or None,
                        "stable": one.stable,
                        "held_by": list(one.held_by),
                    }
                    for one in lines
                ]
            }
        )
        return
    for one in lines:
        click.echo(one.name)
        facts = [one.device] if one.name != one.device else []
        facts += [] if one.stable else ["this name may change when it is plugged in again"]
        facts += [one.about] if one.about else []
        facts += [f"held by {', '.join(one.held_by)}"] if one.held_by else []
        if facts:
            click.echo(f"    {'; '.join(facts)}")
    if lines:
        click.echo(f"\nTo hear one: noonmark listen {lines[0].name}", err=True)
    else:
        click.echo("No serial line here. Plug the adapter in, then look again.", err=True)


def _show(port: str, speeds: tuple[int, ...], seconds: float, as_json: bool) -> None:
    from logger.guessing import guess, proposal

    baud, lines = _hear(port, speeds, seconds)
    found = guess(lines)
    name = _stable_name(port)
    block = proposal(found, name, baud)
    shown = [line.decode(found.encoding) for line in lines]
    if as_json:
        print_json(
            {
                "line": name,
                "baud": baud,
                "heard": shown,
                "format": found.format,
                "separator": found.separator,
                "checksum": found.checksum,
                "encoding": found.encoding,
                "decimal": found.decimal,
                "fields": [{"field": field, "last": last} for field, last in found.fields],
                "proposal": block,
            }
        )
        return
    click.echo(f"\nIt says, at {baud} baud:", err=True)
    for text in shown[-_ENOUGH_LINES:]:
        click.echo(f"    {text}", err=True)
    if found.format is None:
        click.echo('No format known here fits. Try format = "pattern".', err=True)
    click.echo("\nFor the settings file. Choose the name and each channel:\n", err=True)
    click.echo(block, nl=False)


def _stable_name(port: str) -> str:
    from logger.sources.known_lines import known_lines

    device = str(Path(port).resolve()) if port.startswith("/dev/") else port
    return next((one.name for one in known_lines() if one.stable and one.device == device), port)


def _hear(port: str, speeds: tuple[int, ...], seconds: float) -> tuple[int, list[bytes]]:
    """The first speed at which the line can be read, and what was heard."""
    from logger.errors import LineFault

    heard_bytes = 0
    began = time.monotonic()
    for baud in speeds:
        lines, count = _hear_at(port, baud, seconds * (_PATIENT if heard_bytes else 1))
        if lines:
            return baud, lines
        heard_bytes += count
        click.echo(f"{baud} baud: {f'{count} bytes, not readable' if count else 'nothing'}", err=True)
    spent, tried = time.monotonic() - began, ", ".join(map(str, speeds))
    if heard_bytes:
        raise LineFault(
            f"serial line {port}: {heard_bytes} bytes came in {spent:.0f} s, none readable as text at {tried} baud; "
            "it may speak another speed (--baud) or another parity, or no text at all"
        )
    raise LineFault(
        f"serial line {port}: nothing came in {spent:.0f} s at {tried} baud; is the device on, its TX on our RX, "
        "its ground on ours? one that seldom speaks needs --seconds 60"
    )


def _hear_at(port: str, baud: int, seconds: float) -> tuple[list[bytes], int]:
    """Readable lines at one speed, if most of what comes is readable, and how many bytes came."""
    from logger.decoders.framing import LineSplitter
    from logger.guessing import readable
    from logger.plan import SourcePlan
    from logger.readings import Reject
    from logger.sources.serial_line import SerialLine

    good: list[bytes] = []
    splitter, whole, count = LineSplitter(), 0, 0
    until = time.monotonic() + seconds
    with closing(SerialLine(SourcePlan("listen", "serial", (), port=port, baud=baud))) as line:
        line.open()
        while time.monotonic() < until and len(good) < _ENOUGH_LINES and (good or count < _NOISE_BYTES):
            data = line.read()
            count += len(data)
            for piece in splitter.feed(data):
                # The first piece may be half a line; it still shows that this is the right speed.
                text = piece.raw if isinstance(piece, Reject) else piece
                if not whole and readable(text):
                    until += seconds * (_PATIENT - 1)
                whole += 1
                if not isinstance(piece, Reject) and readable(text):
                    good.append(text)
    return (good if 2 * len(good) > whole - 1 else []), count
