"""Owns the frozen values on which the lean logger runs, and their journey through JSON.

The settings file is checked by pydantic in another process; what it comes to arrives here. Standard library only.
"""

from __future__ import annotations

import dataclasses
import json
from dataclasses import dataclass
from typing import Any

Field = int | str | tuple[int | str, ...]


@dataclass(frozen=True, slots=True)
class RegisterPlan:
    """Where a value lies on a Modbus, and how its registers are read.

    Attributes
    ----------
    node : int
        Number of the unit on the bus.
    function : int
        3 reads holding registers, 4 input registers.
    address : int
        Of its first register, from 0, as on the wire.
    type : str
        ``int16``, ``uint16``, ``int32``, ``uint32`` or ``float32``.
    byte_order, word_order : str
        ``big``: the more significant first, as the standard has it within a register; or ``little``.
    """

    node: int
    function: int
    address: int
    type: str
    byte_order: str = "big"
    word_order: str = "big"

    @property
    def width(self) -> int:
        """Registers that it takes."""
        return 2 if self.type.endswith("32") else 1

    @property
    def label(self) -> str:
        """What tells it from every other, for `ChannelPlan.field` and for the reasons of rejects."""
        orders = [f"{what} little" for what in ("byte", "word") if getattr(self, f"{what}_order") == "little"]
        kind = "holding" if self.function == 3 else "input"
        return f"{kind} {self.address} of node {self.node} ({', '.join([self.type, *orders])})"


@dataclass(frozen=True, slots=True)
class ChannelPlan:
    """How one field of a message becomes one channel.

    Attributes
    ----------
    field : int, str or tuple
        Position from 1, key, header, JSON pointer, named group or sensor; several fields are averaged. Of a register:
        its label.
    channel : str
        Vocabulary name.
    unit : str
        The vocabulary's unit of the channel.
    scale, offset : float
        ``stored = sent * scale + offset``.
    low, high : float
        Plausible range [unit], both included.
    words : dict or None
        For text channels: what the device sends to the word that is kept; None keeps words as they are.
    is_text : bool
        Whether the channel holds words.
    register : RegisterPlan or None
        Of a Modbus source.
    most_per_s : float or None
        A faster change between two readings is in doubt [unit/s]; None where anything may jump.
    stuck_after_s : float or None
        The same value, not zero, for longer is in doubt [s]; None where a value may stand.
    """

    field: Field
    channel: str
    unit: str
    scale: float
    offset: float
    low: float
    high: float
    words: dict[str, str] | None = None
    is_text: bool = False
    register: RegisterPlan | None = None
    most_per_s: float | None = None
    stuck_after_s: float | None = None


@dataclass(frozen=True, slots=True)
class TimePlan:
    """Where a CSV row keeps its time.

    Attributes
    ----------
    field : int, str, tuple or None
        Column of the whole time stamp, or the columns of year, month, day, hour, minute and second, as far as they are
        there; None where `date` and `clock` are two columns.
    date, clock : int, str or None
        The two columns.
    zone : str
        IANA name, for stamps without an offset.
    format : str or None
        ``strptime`` pattern; None recognises ISO 8601 and day-first or year-first dates that are not ambiguous.
    label : str
        ``instant``, ``start`` or ``end``: what the stamp marks of the interval.
    interval_ms : int or None
        Length of the means; None for instants.
    year : int or None
        Puts a typical year on one calendar year.
    """

    field: Field | None
    date: int | str | None
    clock: int | str | None
    zone: str
    format: str | None
    label: str
    interval_ms: int | None
    year: int | None


@dataclass(frozen=True, slots=True)
class SourcePlan:
    """One source: where its bytes come from (transport) and what they mean (format).

    Attributes
    ----------
    name : str
        As in the settings.
    kind : str
        ``serial``, ``nmea0183``, ``mqtt``, ``csv``, ``modbus`` or ``onewire``.
    channels : tuple of ChannelPlan
        In the order of the settings.
    port, baud, parity, stop_bits
        Of a serial line, also where Modbus runs on it.
    format : str
        ``delimited``, ``keyvalue``, ``json`` or ``pattern``.
    separator : str or None
        Between fields; None takes comma, semicolon, tab or blanks as found.
    checksum : str
        ``none``, ``sum8``, ``xor8`` or ``crc16-modbus``.
    pattern : str or None
        Regular expression with named groups.
    unheard_after_s : float
        Silence after which the source counts as unheard [s].
    broker : str or None
        ``HOST`` or ``HOST:PORT`` of an MQTT source.
    password_file : str or None
        User and password for the broker, a line each, absolute.
    retained : str
        ``skip`` or ``take``: whether messages that the broker kept from before are readings.
    path : str or None
        File or glob of a CSV source, absolute.
    time : TimePlan or None
        Of a CSV source.
    skip_rows, encoding, decimal, missing
        Dialect of a CSV source; `missing` also of lines and registers.
    host, tcp_port
        Of a Modbus over TCP; `host` is None on a serial line.
    every_s : float
        From one asking to the next, of what speaks only when asked [s].
    timeout_s : float
        How long a unit on a bus may take to answer [s].
    echo : bool or None
        Whether the adapter repeats what is sent; None finds out.
    folder : str
        Where the kernel keeps 1-Wire sensors.
    """

    name: str
    kind: str
    channels: tuple[ChannelPlan, ...]
    port: str | None = None
    baud: int = 9600
    parity: str = "none"
    stop_bits: float = 1
    format: str = "delimited"
    separator: str | None = None
    checksum: str = "none"
    pattern: str | None = None
    unheard_after_s: float = 60.0
    broker: str | None = None
    password_file: str | None = None
    retained: str = "skip"
    path: str | None = None
    time: TimePlan | None = None
    skip_rows: int = 0
    encoding: str = "utf-8-sig"
    decimal: str = "."
    missing: tuple[str, ...] = ("", "NaN", "nan", "NA", "null", "-")
    host: str | None = None
    tcp_port: int = 502
    every_s: float = 10.0
    timeout_s: float = 1.0
    echo: bool | None = None
    folder: str = "/sys/bus/w1/devices"


@dataclass(frozen=True, slots=True)
class PublishPlan:
    """Where the latest values and the findings are left for other programs.

    Attributes
    ----------
    broker : str
        ``HOST`` or ``HOST:PORT``.
    under : str
        First levels of every topic.
    every_s : float
        Least time between two values of a channel [s].
    password_file : str or None
        User and password for the broker, a line each, absolute.
    """

    broker: str
    under: str
    every_s: float
    password_file: str | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """What the lean logger runs on.

    `capture` names the file for the raw bytes of live lines, where they are wanted; `prepared` says whether the store
    was brought up to date: not where it cannot be written now.
    """

    settings_text: str
    settings_hash: str
    store_path: str
    flush_seconds: float
    sources: tuple[SourcePlan, ...]
    longitude: float = 0.0
    """Of the site [°]: the logger knows midnight by it."""
    publish: PublishPlan | None = None
    capture: str | None = None
    prepared: bool = True

    def to_json(self) -> str:
        return json.dumps(dataclasses.asdict(self), ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> Plan:
        data: dict[str, Any] = json.loads(text)
        sources = tuple(_source(entry) for entry in data.pop("sources"))
        publish = data.pop("publish")
        return cls(sources=sources, publish=PublishPlan(**publish) if publish else None, **data)


def _source(entry: dict[str, Any]) -> SourcePlan:
    channels = tuple(_channel(row) for row in entry.pop("channels"))
    time = entry.pop("time")
    missing = tuple(entry.pop("missing"))
    return SourcePlan(channels=channels, time=_time(time) if time else None, missing=missing, **entry)


def _time(entry: dict[str, Any]) -> TimePlan:
    field = entry.pop("field")
    return TimePlan(field=tuple(field) if isinstance(field, list) else field, **entry)


def _channel(row: dict[str, Any]) -> ChannelPlan:
    field, register = row.pop("field"), row.pop("register")
    return ChannelPlan(
        field=tuple(field) if isinstance(field, list) else field,
        register=RegisterPlan(**register) if register else None,
        **row,
    )
