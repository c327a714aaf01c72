"""Owns the ``clock`` command: what the record knows of the time, and a person's word for it from a watch."""

from __future__ import annotations

import datetime as dt
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.options import json_option, print_json, settings_option
from dashboard.commands.stores import prepare
from logger.errors import StoreError, UsageError

if TYPE_CHECKING:
    from logger.evidence import Evidence
    from logger.store import WritingConnection

_TYPED = re.compile(
    r"(?:(?P<date>\d{4}-\d{2}-\d{2})[T ])?(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2}))?"
    r"(?P<zone>[Zz]|[+-]\d{2}:?\d{2})?"
)
_HALF_A_MINUTE_S = 30
_DAY_MS = 86_400_000
_WHO = {
    "kernel": "the machine itself, synchronised over the network or by a receiver",
    "gnss": "a satellite receiver on one of the lines",
    "person": "a person with a watch",
}


@click.command()
@click.argument("time", required=False)
@settings_option
@json_option
def clock(time: str | None, settings_path: Path, as_json: bool) -> None:
    """Set a machine right that cannot know the time: type TIME from a watch, as 14:32Z, or 16:32+02:00.

    Readings taken since the machine was switched on move to their true time, within half a minute. Without TIME it says
    who vouches for the clock, and which part of the record waits for that.
    """
    from logger import settings_file, store
    from logger.clock import SystemClock

    path = Path(settings_file.plan(settings_file.read(settings_path)).store_path)
    machine = SystemClock()
    boot_ns, wall_ms = machine.boot_ns(), machine.now_ms()
    prepare(settings_path, path)
    with closing(store.open_writer(path)) as connection:
        if time is not None:
            utc_ms = typed(time, wall_ms, _last_vouched(connection))
            _take(connection, path, _person(machine.boot_id(), boot_ns, utc_ms), wall_ms)
        report = _report(connection, machine.boot_id(), machine.synchronised_ms() is not None)
    if as_json:
        print_json(report)
    elif time is None:
        for line in _lines(report):
            click.echo(line)


def typed(text: str, wall_ms: int, last_ms: int | None) -> int:
    """The moment that a person means [ms UTC]; of a minute without seconds, its middle.

    Parameters
    ----------
    text : str
        Time of day, with a date before it where this machine cannot know that, and a zone behind it.
    wall_ms : int
        What this machine's clock shows [ms UTC]: its day is taken where none is typed.
    last_ms : int or None
        The last reading of a time for which the kernel or a receiver vouched [ms UTC].

    Raises
    ------
    UsageError
        It is no time, lacks its zone or its date, or cannot be.
    """
    from logger.clock import believable

    found = _TYPED.fullmatch(text.strip())
    if found is None:
        raise UsageError(f"{text!r} is no time; write it as on a watch with its zone: 14:32Z, or 2026-06-12T14:32Z")
    if not found["zone"]:
        raise UsageError(
            f"{text!r} lacks its zone; write {text.strip()}Z for UTC, or for instance {text.strip()}+02:00"
        )
    behind = not believable(wall_ms) or (last_ms is not None and wall_ms < last_ms)
    if not found["date"] and behind:
        raise UsageError(
            f"this machine's clock shows {_utc(wall_ms)}, so it cannot know the day either; "
            f"write the date too: 2026-06-12T{text.strip()}"
        )
    utc_ms = _moment(found, text, wall_ms)
    if not believable(utc_ms):
        raise UsageError(f"{text!r}: a time before 1980 or from 2038 on cannot be; check the date")
    if last_ms is not None and utc_ms < last_ms:
        raise UsageError(
            f"{text!r} is {_utc(utc_ms)}, and the record holds readings of {_utc(last_ms)} whose clock was right; "
            "check the date and the zone"
        )
    return utc_ms


def _moment(found: re.Match[str], text: str, wall_ms: int) -> int:
    zone = found["zone"].upper().replace("Z", "+00:00")
    seconds = found["second"] or f"{_HALF_A_MINUTE_S}"
    day = found["date"] or _utc(wall_ms)[:10]
    try:
        moment = dt.datetime.fromisoformat(f"{day}T{int(found['hour']):02}:{found['minute']}:{seconds}{zone}")
    except ValueError as fault:
        raise UsageError(f"{text!r} is no time ({fault}); write for instance 14:32Z") from None
    utc_ms = round(moment.timestamp() * 1000)
    if found["date"]:
        return utc_ms
    # The day on which that time of day is nearest to what the machine shows: just after midnight it may be another.
    return min((utc_ms + days * _DAY_MS for days in (-1, 0, 1)), key=lambda t: abs(t - wall_ms))


def _utc(t_ms: int) -> str:
    moment = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(milliseconds=t_ms)
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def _person(boot_id: str, boot_ns: int, utc_ms: int) -> Evidence:
    from logger import evidence

    return evidence.Evidence(boot_id, boot_ns, utc_ms, evidence.PERSON, evidence.PERSON_SIGMA_MS)


def _last_vouched(connection: sqlite3.Connection) -> int | None:
    row = connection.execute("SELECT max(stopped) FROM session WHERE clock IN ('kernel', 'gnss')").fetchone()
    return None if row[0] is None else int(row[0])


def _take(connection: WritingConnection, path: Path, said: Evidence, wall_ms: int) -> None:
    """Keep a person's word; where no logger is at work, move what waits for it at once."""
    from logger import evidence, settling, store

    off_s = (wall_ms - said.utc_ms) / 1000
    click.echo(
        f"taken as {_utc(said.utc_ms)}, within 30 s; this machine showed {_utc(wall_ms)}"
        + (f", {abs(off_s):.0f} s {'ahead' if off_s > 0 else 'behind'}" if abs(off_s) > _HALF_A_MINUTE_S else ""),
        err=True,
    )
    with store.transaction(connection):
        evidence.keep(connection, said)
    stands = evidence.best(evidence.kept(connection, said.boot_id))
    if stands != said:
        click.echo(f"kept, and not needed: {_WHO[stands.kind] if stands else ''} vouched for this clock", err=True)
        return
    try:
        with store.claim(path):
            with store.transaction(connection):
                settling.adopt(connection, said)
            settling.Mover().all(connection, said.utc_ms)
    except StoreError:
        click.echo("the logger is at work and takes it over with its next flush", err=True)


def _report(connection: sqlite3.Connection, boot_id: str, kernel: bool) -> dict[str, Any]:
    from logger import evidence, settling

    stands = evidence.best(evidence.kept(connection, boot_id))
    last = connection.execute(
        "SELECT utc_ms, kind FROM clock_evidence ORDER BY id DESC LIMIT 1",
    ).fetchone()
    return {
        "vouched_by": "kernel" if kernel else stands.kind if stands else None,
        "last_good": {"at": _utc(last[0]), "kind": last[1]} if last else None,
        "unsettled": [{"from": _utc(a), "to": _utc(b)} for a, b in settling.unsettled(connection)],
    }


def _lines(report: dict[str, Any]) -> list[str]:
    by, last, waiting = report["vouched_by"], report["last_good"], report["unsettled"]
    lines = [f"Vouches for the clock: {_WHO[by]}." if by else "Nobody vouches for this machine's clock."]
    if last:
        lines.append(f"Last good word: {last['at']}, from {_WHO[last['kind']]}.")
    if waiting:
        lines.append("Of these parts of the record the time is not known to be right; they judge no array:")
        lines += [f"    {part['from']} to {part['to']}, as kept" for part in waiting]
    if not by:
        lines.append("Look at a watch and type, for instance: noonmark clock 14:32Z")
    return lines
