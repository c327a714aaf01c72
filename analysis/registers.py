"""Owns what register maps in the settings show: registers read in two ways, units with one number, sheet numbers."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any, NamedTuple

from logger.settings import Settings, Source, SourceChannel

_WIDTH = {"int32": 2, "uint32": 2, "float32": 2}
_SHEET = {3: 40_001, 4: 30_001}
_SHEET_LENGTH = 9_999
"""Sheets number holding registers from 40001 and input registers from 30001, the first being address 0 (MODBUS
Application Protocol V1.1b3, 4.4, tells the two ways of counting apart; the leading digit is common practice)."""


class Doubt(NamedTuple):
    """One thing about a bus that is seldom meant so.

    Attributes
    ----------
    rule, priority : str
        As of a hazard.
    source : str
        The bus.
    evidence : dict
    """

    rule: str
    priority: str
    source: str
    evidence: dict[str, Any]


def doubts(settings: Settings) -> Iterator[Doubt]:
    """What is seldom meant so, bus by bus."""
    buses = [source for source in settings.source if source.kind == "modbus"]
    for bus in buses:
        yield from _overlaps(bus)
        yield from _two_units(bus, settings)
        yield from _sheet_numbers(bus)
    for one, other in itertools.combinations(buses, 2):
        if one.host and (one.host, one.tcp_port) == (other.host, other.tcp_port):
            yield Doubt("gateway-twice", "low", other.name, {"first": one.name, "host": one.host})


def _registers(entry: SourceChannel) -> range:
    first = entry.address or 0
    return range(first, first + _WIDTH.get(entry.type, 1))


def _overlaps(bus: Source) -> Iterator[Doubt]:
    """Registers that two channels read, and not in the same way."""
    for one, other in itertools.combinations(bus.channel, 2):
        if (one.node, one.function) != (other.node, other.function):
            continue
        shared = sorted(set(_registers(one)) & set(_registers(other)))
        alike = _reading(one) == _reading(other)
        if shared and not alike:
            evidence = {
                "node": one.node,
                "address": shared[0],
                "one": one.channel,
                "one_type": one.type,
                "other": other.channel,
                "other_type": other.type,
            }
            yield Doubt("registers-overlap", "medium", bus.name, evidence)


def _reading(entry: SourceChannel) -> tuple[object, ...]:
    return entry.address, entry.type, entry.byte_order, entry.word_order


def _two_units(bus: Source, settings: Settings) -> Iterator[Doubt]:
    """One number for two controllers: units leave the works with the same number, and two then answer at once."""
    feeds = {array.name: array.controller for array in settings.array}
    for node in sorted({entry.node for entry in bus.channel}):
        spoken = {_controller(entry.channel, feeds) for entry in bus.channel if entry.node == node} - {None}
        if len(spoken) > 1:
            yield Doubt("node-shared", "low", bus.name, {"node": node, "controllers": sorted(map(str, spoken))})


def _controller(channel: str, feeds: dict[str, str | None]) -> str | None:
    subject, name, _ = channel.split(".")
    return name if subject == "controller" else feeds.get(name) if subject == "array" else None


def _sheet_numbers(bus: Source) -> Iterator[Doubt]:
    found = [
        entry
        for entry in bus.channel
        if entry.address is not None and 0 <= entry.address - _SHEET[entry.function] < _SHEET_LENGTH
    ]
    if found:
        first = found[0]
        evidence = {
            "address": first.address,
            "function": first.function,
            "meant": (first.address or 0) - _SHEET[first.function],
            "channels": len(found),
        }
        yield Doubt("sheet-number", "medium", bus.name, evidence)
