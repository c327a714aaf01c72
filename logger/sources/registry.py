"""Owns which source a kind in the settings stands for. Adding one is one line here and one file beside."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from logger import earlier
from logger.capture import Capture, CapturedLine
from logger.clock import Clock
from logger.collector import LiveSource
from logger.earlier import Earlier
from logger.errors import StoreError
from logger.plan import SourcePlan
from logger.protocols import Decoder, Line, Source
from logger.readings import Record, Reject
from logger.sources.polled import MakeLine, PolledSource
from logger.sources.replay import SCHEME, ReplayedLine
from logger.sources.serial_line import SerialLine
from logger.store import open_reader
from logger.timeline import Timeline

if TYPE_CHECKING:
    from logger.sources.csv_file import MakeTable

_FITS = 0.8


@dataclass(frozen=True, slots=True)
class Setting:
    """What a source finds around it.

    Attributes
    ----------
    clock : Clock
        For every wait.
    timeline : Timeline
        For every time.
    decoder : callable
        Makes the decoder of live lines that a plan names.
    table : callable
        Makes the decoder of a file.
    store : Path
        To look up how far earlier sessions came.
    plans : tuple of SourcePlan
        All sources, to tell whose device hangs on the wrong line.
    longitude : float
        Of the site [°].
    capture : Capture or None
        Where the raw bytes of live lines are to be kept.
    settings_hash : str
        Of the settings in force.
    """

    clock: Clock
    timeline: Timeline
    decoder: Callable[[SourcePlan], Decoder]
    table: MakeTable
    store: Path
    plans: tuple[SourcePlan, ...] = ()
    longitude: float = 0.0
    capture: Capture | None = None
    settings_hash: str = ""


def _earlier(plan: SourcePlan, setting: Setting) -> Earlier:
    return earlier.of(setting.store, plan, setting.settings_hash)


def _serial(plan: SourcePlan, setting: Setting) -> Source:
    # A capture stands in for a line that is elsewhere.
    replayed = (plan.port or "").startswith(SCHEME)
    return _live(plan, ReplayedLine(plan, setting.clock) if replayed else SerialLine(plan), setting)


def _mqtt(plan: SourcePlan, setting: Setting) -> Source:
    # The library costs 12 MB: a logger that asks no broker does without.
    from logger.sources.topics import TopicLine  # noqa: PLC0415

    return _live(plan, TopicLine(plan), setting)


def _live(plan: SourcePlan, line: Line, setting: Setting) -> Source:
    decoder, known = setting.decoder(plan), _earlier(plan, setting)
    line = _captured(line, plan, setting)
    return LiveSource(
        plan,
        line,
        decoder,
        setting.clock,
        setting.timeline,
        known,
        whose=lambda lines: owner(lines, plan, setting),
        longitude=setting.longitude,
    )


def _polled(plan: SourcePlan, setting: Setting, make_line: MakeLine) -> Source:
    def captured(plan: SourcePlan, clock: Clock, note: Callable[[str], None]) -> Line:
        return _captured(make_line(plan, clock, note), plan, setting)

    decoder, known = setting.decoder(plan), _earlier(plan, setting)
    return PolledSource(plan, captured, decoder, setting.clock, setting.timeline, known, setting.longitude)


def _modbus(plan: SourcePlan, setting: Setting) -> Source:
    # pymodbus costs 8 MB: a logger without such a bus does without.
    from logger.sources.modbus_bus import ModbusLine  # noqa: PLC0415

    return _polled(plan, setting, ModbusLine)


def _onewire(plan: SourcePlan, setting: Setting) -> Source:
    from logger.sources.onewire import SensorLine  # noqa: PLC0415

    return _polled(plan, setting, SensorLine)


def _captured(line: Line, plan: SourcePlan, setting: Setting) -> Line:
    return CapturedLine(line, setting.capture, plan.name) if setting.capture else line


def owner(lines: Sequence[bytes], own: SourcePlan, setting: Setting) -> str | None:
    """The other serial source whose format and check these lines fit, if they fit one; not that of `own`."""
    for plan in setting.plans:
        if plan.kind not in ("serial", "nmea0183") or plan.name == own.name:
            continue
        decoder = setting.decoder(plan)
        items = [*decoder.feed(b"\n"), *decoder.feed(b"".join(line + b"\n" for line in lines))]
        if sum(isinstance(item, Record) for item in items) >= _FITS * len(lines) and not any(
            isinstance(item, Reject) for item in items
        ):
            return plan.name
    return None


def _csv(plan: SourcePlan, setting: Setting) -> Source:
    # What files need (digests, zones) costs 5 MB: a logger that follows none does without.
    from logger.sources.csv_file import Position, positions  # noqa: PLC0415
    from logger.sources.followed import FollowedFiles  # noqa: PLC0415

    def known() -> dict[str, Position]:
        with closing(open_reader(setting.store)) as connection:
            try:
                return positions(connection, plan.name)
            except sqlite3.Error as fault:
                raise StoreError(f"store {setting.store}: {fault}") from None

    return FollowedFiles(plan, setting.table, known, setting.timeline.utc_ms, setting.clock)


KINDS: dict[str, Callable[[SourcePlan, Setting], Source]] = {
    "serial": _serial,
    "nmea0183": _serial,
    "mqtt": _mqtt,
    "csv": _csv,
    "modbus": _modbus,
    "onewire": _onewire,
}


NAMES_S = 60.0
"""How long looking up the name of a host may take where nobody answers: common practice, no source."""
_TIMES = 4


def patience_s(plan: SourcePlan) -> float:
    """How much longer than others a source may take to come back from one read, or from opening its line [s]."""
    asks = _TIMES * plan.timeout_s if plan.kind == "modbus" else 0.0
    return asks + (NAMES_S if plan.host or plan.broker or "://" in (plan.port or "") else 0.0)


def make(plan: SourcePlan, setting: Setting) -> Source:
    """The source of a plan."""
    return KINDS[plan.kind](plan, setting)
