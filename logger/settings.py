"""Owns the shape of the settings file: the models, their defaults, their rules. `settings_file` reads it."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from logger.shapes import (
    AirPlace,
    BrokerAddress,
    Carried,
    Conductor,
    Count,
    DatePattern,
    Encoding,
    FieldRef,
    FieldRefs,
    FreeText,
    Host,
    Name,
    NamedGroups,
    Positive,
    Scale,
    StampZone,
    TopicLevels,
    Zone,
)


class Table(BaseModel):
    """A table of the settings: nothing unknown in it, nothing converted silently, frozen."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, populate_by_name=True, allow_inf_nan=False)


class Dated(Table):
    """A part that may have been fitted or taken away; both dates are solar days, both included."""

    from_: dt.date | None = Field(None, alias="from", examples=[dt.date(2026, 5, 1)])
    until: dt.date | None = Field(None, examples=[dt.date(2026, 9, 30)])

    @model_validator(mode="after")
    def _ordered(self) -> Dated:
        if self.from_ and self.until and self.until < self.from_:
            raise ValueError("until lies before from")
        return self

    def in_force(self, day: dt.date) -> bool:
        """Whether the part was there on that solar day."""
        return not ((self.from_ and day < self.from_) or (self.until and day > self.until))


class Site(Table):
    name: FreeText = Field(examples=["Lapwing"])
    latitude: float = Field(ge=-90, le=90, examples=[47.58])
    longitude: float = Field(ge=-180, le=180, examples=[-2.90])
    elevation: float = Field(0.0, ge=-500, le=9000, examples=[2])
    timezone: Zone = Field(examples=["Europe/Paris"])
    moored: Literal["fixed", "swinging", "under way"] = Field(examples=["swinging"])
    coldest_c: float | None = Field(None, ge=-70, le=40, examples=[-8])
    hottest_c: float | None = Field(None, ge=-20, le=60, examples=[34])
    around: Literal["water", "land", "ice", "snow"] = "water"
    horizon: list[list[float]] = Field([], examples=[[[150, 12], [210, 4]]])

    @field_validator("horizon")
    @classmethod
    def _pairs(cls, value: list[list[float]]) -> list[list[float]]:
        for pair in value:
            if len(pair) != 2 or not (0 <= pair[0] <= 360 and 0 <= pair[1] < 90):
                raise ValueError("give pairs of azimuth 0 to 360 and elevation 0 to 90, in degrees")
        return value


class Passage(Dated):
    """Where she will lie, or sail, over some days of a cruise: stands for the berth in [site] on those days."""

    latitude: float = Field(ge=-90, le=90, examples=[69.65])
    longitude: float = Field(ge=-180, le=180, examples=[18.96])
    around: Literal["water", "land", "ice", "snow"] | None = Field(None, examples=["snow"])

    @model_validator(mode="after")
    def _both_dates(self) -> Passage:
        if self.from_ is None or self.until is None:
            raise ValueError("give it from and until dates, for instance from = 2026-06-01")
        return self


class Store(Table):
    path: FreeText = Field(examples=["lapwing.db"])
    flush_seconds: float = Field(30.0, ge=0.2, le=600, examples=[30])
    hot_days: int = Field(14, ge=1, le=3650, examples=[14])


class Module(Table):
    """From the datasheet, at standard test conditions; coefficients in %/K."""

    power: Positive = Field(examples=[175])
    voc: Positive | None = Field(None, examples=[24.3])
    isc: Positive | None = Field(None, examples=[9.2])
    vmp: Positive | None = Field(None, examples=[20.2])
    imp: Positive | None = Field(None, examples=[8.67])
    temp_coeff_power: float = Field(-0.40, ge=-1, le=0, examples=[-0.36])
    temp_coeff_voc: float | None = Field(None, ge=-1, le=0, examples=[-0.28])
    temp_coeff_isc: float | None = Field(None, ge=-0.2, le=0.3, examples=[0.05])
    cells_in_series: int | None = Field(None, ge=1, examples=[36])
    substrings: int | None = Field(None, ge=1, examples=[2])
    technology: Literal["mono", "poly", "cdte", "cigs", "amorphous"] | None = Field(None, examples=["mono"])

    @model_validator(mode="after")
    def _plausible(self) -> Module:
        if self.vmp and self.voc and self.vmp >= self.voc:
            raise ValueError("vmp must lie below voc")
        if self.imp and self.isc and self.imp >= self.isc:
            raise ValueError("imp must lie below isc")
        if self.vmp and self.imp and not 0.85 < self.vmp * self.imp / self.power < 1.15:
            raise ValueError(f"vmp × imp is {self.vmp * self.imp:.0f} W, not near power = {self.power:g} W")
        return self


class Group(Table):
    """Modules of one array that lie in a way of their own; the order is that in which strings are filled."""

    modules: Count
    tilt: float = Field(ge=0, le=90, examples=[12])
    azimuth: float = Field(ge=0, le=360, examples=[270])
    mounting: Literal["rack", "gap", "glued", "insulated"] | None = Field(None, examples=["glued"])
    walked_on: bool = False
    module: Module | None = None


class Array(Dated):
    name: Name
    controller: Name | None = None
    modules_in_series: Count
    strings_in_parallel: Count
    tilt: float = Field(ge=0, le=90, examples=[3])
    azimuth: float = Field(ge=0, le=360, examples=[180])
    mounting: Literal["rack", "gap", "glued", "insulated"] | None = Field(None, examples=["gap"])
    plane_sensor: Literal["pyranometer", "reference cell"] | None = Field(None, examples=["pyranometer"])
    module: Module
    group: list[Group] = []

    @model_validator(mode="after")
    def _groups_add_up(self) -> Array:
        count = self.modules_in_series * self.strings_in_parallel
        if self.group and sum(group.modules for group in self.group) != count:
            raise ValueError(
                f"the modules of its groups add up to {sum(g.modules for g in self.group)}, "
                f"modules_in_series × strings_in_parallel is {count}"
            )
        return self

    @property
    def rated_w(self) -> float:
        """Power of all its modules at standard test conditions [W]."""
        if not self.is_mixed:
            return self.module.power * self.modules_in_series * self.strings_in_parallel
        return sum(module.power for string in self.strings for module in string)

    @property
    def mountings(self) -> tuple[str | None, ...]:
        """How each of its modules is mounted: as its group says, else as the array."""
        own = [group.mounting or self.mounting for group in self.group for _ in range(group.modules)]
        return tuple(own or [self.mounting] * (self.modules_in_series * self.strings_in_parallel))

    @property
    def is_mixed(self) -> bool:
        """Whether one of its groups is of other modules than the rest."""
        return any(group.module is not None and group.module != self.module for group in self.group)

    @property
    def strings(self) -> tuple[tuple[Module, ...], ...]:
        """The modules of each string, in the order in which strings are filled."""
        each = [group.module or self.module for group in self.group for _ in range(group.modules)]
        each = each or [self.module] * (self.modules_in_series * self.strings_in_parallel)
        length = self.modules_in_series
        return tuple(tuple(each[i : i + length]) for i in range(0, len(each), length))


class Cable(Dated):
    name: FreeText
    carries: Carried = Field(examples=["array.cabin"])
    length: Positive = Field(examples=[6.5])
    area: float = Field(ge=0.05, le=2000, examples=[4.0])
    conductor: Conductor = Field("class 5 tinned copper", examples=["class 5 tinned copper"])


class Controller(Dated):
    name: Name
    type: Literal["mppt", "pwm"] = "mppt"
    enclosure: Name | None = Field(None, examples=["electrics"])
    input_voltage_limit: Positive | None = Field(None, examples=[100])
    output_current_limit: Positive | None = Field(None, examples=[30])
    efficiency: float = Field(0.96, gt=0.5, le=1, examples=[0.97])
    absorption_v: Positive | None = Field(None, examples=[28.6])
    float_v: Positive | None = Field(None, examples=[27.2])
    temp_comp_mv_per_cell_k: float | None = Field(None, ge=-10, le=0, examples=[-4])
    # What a tracker that steps volts down asks of its array above the bank; common practice, no source.
    start_headroom_v: float = Field(5.0, ge=0, le=50, examples=[5])
    run_headroom_v: float = Field(1.0, ge=0, le=50, examples=[1])


class Bank(Table):
    name: Name = Field(examples=["house"])
    chemistry: Literal["flooded", "agm", "gel", "lifepo4"] | None = Field(None, examples=["agm"])
    nominal_voltage: Positive | None = Field(None, examples=[24])
    capacity_ah: Positive | None = Field(None, examples=[220])
    charge_min_c: float | None = Field(None, ge=-40, le=30, examples=[0])


class Enclosure(Dated):
    name: Name = Field(examples=["electrics"])
    temperature_limit: float | None = Field(None, ge=20, le=100, examples=[50])
    surroundings: AirPlace | None = Field(None, examples=["air.cabin"])


class Fan(Dated):
    name: Name = Field(examples=["electrics"])
    enclosure: Name = Field(examples=["electrics"])
    watts: Positive | None = Field(None, examples=[1.6])


class SourceChannel(Table):
    field: FieldRefs | None = Field(None, examples=[1])
    node: int = Field(1, ge=0, le=255, examples=[1])
    address: int | None = Field(None, ge=0, le=65535, examples=[107])
    count: int | None = Field(None, ge=1, le=2, examples=[2])
    type: Literal["int16", "uint16", "int32", "uint32", "float32"] = "uint16"
    byte_order: Literal["big", "little"] = "big"
    word_order: Literal["big", "little"] = "big"
    function: Literal[3, 4] = 3
    channel: str = Field(examples=["array.cabin.voltage"])
    unit: str | None = Field(None, examples=["mV"])
    scale: Scale = Field(1.0, examples=[0.1])
    offset: float = 0.0
    words: dict[str, str] | None = Field(None, examples=[{"3": "bulk"}])


class TimeColumn(Table):
    field: FieldRefs | None = Field(None, examples=["time"])
    date: FieldRef | None = Field(None, examples=["date"])
    clock: FieldRef | None = Field(None, examples=["clock"])
    zone: StampZone = Field("UTC", examples=["UTC"])
    format: DatePattern | None = Field(None, examples=["%d/%m/%Y %H:%M"])
    label: Literal["instant", "start", "end"] = "instant"
    interval_s: Positive | None = Field(None, examples=[60])
    year: int | None = Field(None, ge=1980, le=2037, examples=[2026])

    @model_validator(mode="after")
    def _complete(self) -> TimeColumn:
        if (self.field is None) == (self.date is None) or (self.date is None) != (self.clock is None):
            raise ValueError("give either field, or date and clock together")
        if isinstance(self.field, list) and (len(self.field) not in range(3, 7) or self.format):
            raise ValueError(
                "field as a list names the columns of year, month, day, and as far as they are there hour, minute and "
                'second, without format, for instance field = ["Year", "Month", "Day", "Hour"]'
            )
        if (self.label == "instant") != (self.interval_s is None):
            raise ValueError('label "start" or "end" goes with interval_s, "instant" without it')
        return self


class Source(Table):
    name: FreeText = Field(examples=["cabin controller"])
    kind: Literal["serial", "csv", "modbus", "onewire", "nmea0183", "mqtt"] = Field(examples=["serial"])
    port: FreeText | None = Field(None, examples=["/dev/serial/by-id/..."])
    baud: int = Field(9600, ge=50, le=4_000_000, examples=[19200])
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    format: Literal["delimited", "keyvalue", "json", "pattern"] = "delimited"
    separator: str | None = Field(None, min_length=1, examples=[","])
    checksum: Literal["none", "sum8", "xor8", "crc16-modbus"] = "none"
    pattern: NamedGroups | None = Field(None, examples=[r"V=(?P<volts>[\d.]+)"])
    unheard_after_s: Positive = Field(60.0, examples=[60])
    broker: BrokerAddress | None = Field(None, examples=["127.0.0.1:1883"])
    password_file: FreeText | None = Field(None, examples=["broker.txt"])
    retained: Literal["skip", "take"] = "skip"
    path: FreeText | None = Field(None, examples=["inbox/*.csv"])
    time: TimeColumn | None = Field(None, examples=[{"field": "time", "zone": "UTC"}])
    skip_rows: int = Field(0, ge=0)
    encoding: Encoding = "utf-8-sig"
    decimal: Literal[".", ","] = "."
    missing: list[str] = Field(["", "NaN", "nan", "NA", "null", "-"], examples=[["", "NaN", "-99"]])
    host: Host | None = Field(None, examples=["192.168.1.40"])
    tcp_port: int = Field(502, ge=1, le=65535, examples=[502])
    every_s: float = Field(10.0, ge=0.1, le=86_400, examples=[10])
    timeout_s: float = Field(1.0, ge=0.05, le=5, examples=[1])
    echo: bool | None = Field(None, examples=[True])
    folder: FreeText = Field("/sys/bus/w1/devices", examples=["/sys/bus/w1/devices"])
    channel: list[SourceChannel] = Field(min_length=1)

    @model_validator(mode="after")
    def _needs_of_kind(self) -> Source:
        if self.kind in ("serial", "nmea0183") and not self.port:
            raise ValueError(f'kind "{self.kind}" needs port, for instance port = "/dev/serial/by-id/..."')
        if self.kind == "mqtt" and not self.broker:
            raise ValueError('kind "mqtt" needs broker, for instance broker = "127.0.0.1:1883"')
        if self.kind == "nmea0183" and "checksum" in self.model_fields_set:
            raise ValueError('kind "nmea0183" has a check of its own, always required: leave checksum out')
        if self.kind in ("nmea0183", "mqtt") and "format" in self.model_fields_set:
            raise ValueError(f'kind "{self.kind}" has a format of its own: leave format out')
        if self.kind == "csv" and not (self.path and self.time):
            raise ValueError(
                'kind "csv" needs path and time, for instance path = "inbox/*.csv" '
                'and time = { field = "time", zone = "UTC" }'
            )
        if self.kind == "modbus" and (self.port is None) == (self.host is None):
            raise ValueError(
                'kind "modbus" needs either port, for instance port = "/dev/serial/by-id/...", '
                'or host, for instance host = "192.168.1.40"'
            )
        if self.kind == "serial" and self.format == "pattern" and not self.pattern:
            raise ValueError('format "pattern" needs pattern, a regular expression with named groups')
        return self


class Publish(Table):
    """Latest values and findings, left with a broker for other programs aboard."""

    broker: BrokerAddress = Field(examples=["127.0.0.1:1883"])
    under: TopicLevels = Field(examples=["lapwing"])
    every_s: float = Field(10.0, ge=1, le=3600, examples=[10])
    password_file: FreeText | None = Field(None, examples=["broker.txt"])


class Schedule(Table):
    """When `run` does what nobody has to ask for."""

    assess_every_min: int = Field(60, ge=5, le=1440, examples=[60])
    archive_after_midnight_min: int = Field(30, ge=0, le=1439, examples=[30])


class Settings(Table):
    """One settings file, checked."""

    site: Site
    store: Store
    passage: list[Passage] = []
    array: list[Array] = []
    cable: list[Cable] = []
    controller: list[Controller] = []
    bank: Bank | None = None
    enclosure: list[Enclosure] = []
    fan: list[Fan] = []
    source: list[Source] = []
    publish: Publish | None = None
    schedule: Schedule = Schedule()

    def on(self, day: dt.date) -> Settings:
        """The settings with only the parts that were in force on that solar day."""
        kept: dict[str, Any] = {
            kind: [part for part in getattr(self, kind) if part.in_force(day)]
            for kind in ("passage", "array", "cable", "controller", "enclosure", "fan")
        }
        return self.model_copy(update=kept)


class Located(Table):
    """A checked settings file with its place and its text."""

    settings: Settings
    path: Path
    text: str
    hash: str

    @property
    def store_path(self) -> Path:
        """The store's place; relative paths start at the settings file's folder."""
        return (self.path.parent / self.settings.store.path).resolve()
