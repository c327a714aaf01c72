"""Owns reading the settings file: TOML to checked models, all mistakes at once, and the logger's plan from it."""

from __future__ import annotations

import hashlib
from pathlib import Path

from pydantic import ValidationError

from logger import settings_mistakes, settings_references, vocabulary
from logger.errors import SettingsError
from logger.plan import ChannelPlan, Field, Plan, PublishPlan, RegisterPlan, SourcePlan, TimePlan
from logger.settings import Located, Settings, Source, SourceChannel
from logger.units import conversion

POLLED = ("modbus", "onewire")
"""Kinds that speak only when asked."""
NMEA_BAUD = 4800
"""Speed of an NMEA 0183 line that states none: the standard's own."""


def read(path: Path) -> Located:
    """Read and check a settings file.

    Raises
    ------
    SettingsError
        The file is missing, is not TOML, or holds mistakes: all of them, each with key, value, rule, example.
    """
    try:
        # Some editors put a byte-order mark in front.
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise SettingsError(
            str(path),
            ["there is no such file; write one with 'noonmark new', or name it with --settings PATH"],
        ) from None
    except UnicodeDecodeError as fault:
        raise SettingsError(str(path), [f"byte {fault.start + 1} is not UTF-8; save the file as UTF-8"]) from None
    except OSError as fault:
        raise SettingsError(str(path), [f"it cannot be read: {fault.strerror}"]) from None
    settings = parse(text, where=str(path))
    digest = hashlib.sha256(text.encode()).hexdigest()
    return Located(settings=settings, path=path.resolve(), text=text, hash=digest)


def parse(text: str, where: str = "settings") -> Settings:
    """Check the text of a settings file; see `read` for what is raised."""
    try:
        raw = settings_mistakes.loads(text)
    except ValueError as fault:
        raise SettingsError(where, [settings_mistakes.of_toml(text, fault)]) from None
    problems = settings_mistakes.straighten(raw)
    try:
        settings = Settings.model_validate(raw)
    except ValidationError as fault:
        problems += settings_mistakes.of_form(fault, raw)
    problems += settings_references.problems(raw)
    if problems:
        raise SettingsError(where, problems)
    return settings


def plan(located: Located) -> Plan:
    """What the lean logger runs on, from a checked settings file."""
    folder = located.path.parent
    return Plan(
        settings_text=located.text,
        settings_hash=located.hash,
        store_path=str(located.store_path),
        flush_seconds=located.settings.store.flush_seconds,
        sources=tuple(source_plan(source, folder) for source in located.settings.source),
        longitude=located.settings.site.longitude,
        publish=publish_plan(located),
    )


def publish_plan(located: Located) -> PublishPlan | None:
    """Where latest values and findings are left, if anywhere."""
    publish = located.settings.publish
    if publish is None:
        return None
    return PublishPlan(
        broker=publish.broker,
        under=publish.under,
        every_s=publish.every_s,
        password_file=_in_folder(publish.password_file, located.path.parent),
    )


def _in_folder(path: str | None, folder: Path) -> str | None:
    return str(folder / path) if path else None


def source_plan(source: Source, folder: Path) -> SourcePlan:
    """The frozen form of one source; `folder` is where its relative paths start."""
    time = source.time
    return SourcePlan(
        name=source.name,
        kind=source.kind,
        channels=tuple(_channel_plan(entry, source.kind) for entry in source.channel),
        port=source.port,
        baud=NMEA_BAUD if source.kind == "nmea0183" and "baud" not in source.model_fields_set else source.baud,
        parity=source.parity,
        stop_bits=source.stop_bits,
        format=source.format,
        separator=source.separator,
        checksum=source.checksum,
        pattern=source.pattern,
        unheard_after_s=_unheard_after_s(source),
        broker=source.broker,
        password_file=_in_folder(source.password_file, folder),
        retained=source.retained,
        path=_in_folder(source.path, folder),
        time=TimePlan(
            field=tuple(time.field) if isinstance(time.field, list) else time.field,
            date=time.date,
            clock=time.clock,
            zone=time.zone,
            format=time.format,
            label=time.label,
            interval_ms=round(time.interval_s * 1000) if time.interval_s else None,
            year=time.year,
        )
        if time
        else None,
        skip_rows=source.skip_rows,
        encoding=source.encoding,
        decimal=source.decimal,
        missing=tuple(source.missing),
        host=source.host,
        tcp_port=source.tcp_port,
        every_s=source.every_s,
        timeout_s=source.timeout_s,
        echo=source.echo,
        folder=str(folder / source.folder),
    )


def _unheard_after_s(source: Source) -> float:
    """What speaks only when asked is not unheard before it has been asked three times."""
    return max(source.unheard_after_s, 3 * source.every_s) if source.kind in POLLED else source.unheard_after_s


def _channel_plan(entry: SourceChannel, kind: str) -> ChannelPlan:
    quantity = vocabulary.lookup(entry.channel)
    line = conversion(entry.unit or quantity.unit, quantity.unit).after(entry.scale, entry.offset)
    register = _register_plan(entry) if kind == "modbus" else None
    return ChannelPlan(
        field=register.label if register else _field(entry),
        channel=entry.channel,
        unit=quantity.unit,
        scale=line.scale,
        offset=line.offset,
        low=quantity.low,
        high=quantity.high,
        words=entry.words,
        is_text=quantity.is_text,
        most_per_s=quantity.most_per_s,
        stuck_after_s=quantity.stuck_after_s,
        register=register,
    )


def _field(entry: SourceChannel) -> Field:
    # That it is there the references have checked.
    return tuple(entry.field) if isinstance(entry.field, list) else entry.field or ""


def _register_plan(entry: SourceChannel) -> RegisterPlan:
    return RegisterPlan(
        node=entry.node,
        function=entry.function,
        address=entry.address or 0,
        type=entry.type,
        byte_order=entry.byte_order,
        word_order=entry.word_order,
    )
