"""Owns every channel: name pattern, unit, IEC 61724 symbol, plausible range, meaning.

A channel is ``subject.name.quantity``. Channels may be added here, never invented in settings. The plausible
range is wide on purpose: a reading outside it is kept, marked and left out of the analysis.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass

from logger.errors import UnknownChannel

NAME = re.compile(r"[a-z0-9_-]+")
STAGES = ("off", "bulk", "absorption", "float", "equalise", "fault")


@dataclass(frozen=True, slots=True)
class Quantity:
    """One row of the vocabulary.

    Attributes
    ----------
    subject, name, quantity : str
        The three parts; `name` is a fixed word or ``<kind>`` of the settings that it must name.
    unit : str
        Unit in which the store holds it; ``text`` for words.
    low, high : float
        Plausible range [unit], both included.
    symbol : str
        IEC 61724 symbol, empty where there is none.
    meaning : str
        One line.
    most_per_s : float or None
        A faster change is marked ``jump`` [unit/s]; None where a switch or a cloud may do anything.
    stuck_after_s : float or None
        The same value for longer, zero excepted, is marked ``stuck`` [s]; None where it may stand.
    """

    subject: str
    name: str
    quantity: str
    unit: str
    low: float
    high: float
    symbol: str
    meaning: str
    most_per_s: float | None = None
    stuck_after_s: float | None = None

    @property
    def pattern(self) -> str:
        return f"{self.subject}.{self.name}.{self.quantity}"

    @property
    def is_text(self) -> bool:
        return self.unit == "text"


_Row = tuple[str, str, float, float, str, str]

# Heat has mass: metal, air in a box and a bank do not change by more a second, while a probe that loses its line does.
# Light that stands still to the last digit for an hour is a hung sensor: the sky moves. Both are common practice, no
# source.
_SLOW: dict[tuple[str, str], float] = {
    ("array", "module_temperature"): 3.0,
    ("controller", "temperature"): 3.0,
    ("bank", "temperature"): 1.0,
    ("enclosure", "temperature"): 2.0,
    ("air", "temperature"): 2.0,
    ("air", "pressure"): 200.0,
}
_RESTLESS: dict[tuple[str, str], float] = {
    ("irradiance", "global"): 3_600.0,
    ("irradiance", "plane"): 3_600.0,
    ("irradiance", "reference_current"): 3_600.0,
    ("array", "module_temperature"): 43_200.0,
    ("air", "wind_speed"): 7_200.0,
}


def _rows(subject: str, name: str, *rows: _Row) -> list[Quantity]:
    return [
        Quantity(subject, name, *row, _SLOW.get((subject, row[0])), _RESTLESS.get((subject, row[0]))) for row in rows
    ]


# Irradiance above 2000 W/m² is not light: the highest measured cloud enhancement is near 1900 W/m²
# (abstract of "Overirradiance Events at High Latitudes", IEEE J. Photovoltaics 3(1)); the other ranges are
# common practice, no source.
VOCABULARY: tuple[Quantity, ...] = (
    *_rows(
        "irradiance",
        "horizontal",
        ("global", "W/m²", -20, 2000, "G_H", "global horizontal irradiance"),
        ("illuminance", "lx", 0, 220_000, "", "a lux sensor, facing up"),
    ),
    *_rows("irradiance", "diffuse", ("horizontal", "W/m²", -20, 1000, "", "diffuse horizontal irradiance")),
    *_rows("irradiance", "direct", ("normal", "W/m²", -20, 1500, "", "direct normal irradiance")),
    *_rows(
        "irradiance", "weather", ("global", "W/m²", -20, 2000, "", "global horizontal irradiance by a weather series")
    ),
    *_rows(
        "irradiance",
        "<array>",
        ("plane", "W/m²", -20, 2000, "G_I", "irradiance in the plane of the array"),
        ("reference_current", "A", -0.5, 50, "", "short-circuit current of a reference module in the plane"),
    ),
    *_rows(
        "array",
        "<array>",
        ("voltage", "V", -2, 1000, "V_A", "at the controller's input"),
        ("current", "A", -5, 1000, "I_A", "at the controller's input"),
        ("power", "W", -100, 500_000, "P_A", "at the controller's input"),
        ("module_voltage", "V", -2, 1000, "", "at the modules' end of the cable"),
        ("module_temperature", "°C", -60, 120, "T_m", "back of the module"),
    ),
    *_rows(
        "controller",
        "<controller>",
        ("output_voltage", "V", -1, 150, "", "at the controller's output"),
        ("output_current", "A", -5, 1000, "", "at the controller's output"),
        ("output_power", "W", -100, 500_000, "", "at the controller's output"),
        ("stage", "text", 0, 0, "", "charge stage: " + " ".join(STAGES)),
        ("version", "text", 0, 0, "", "firmware"),
        ("temperature", "°C", -60, 130, "", "heatsink"),
        ("day_energy", "Wh", 0, 5_000_000, "", "the controller's own day counter"),
    ),
    *_rows(
        "bank",
        "<bank>",
        ("voltage", "V", -1, 150, "V_S", "at the bank's terminals"),
        ("current", "A", -3000, 3000, "I_TS−I_FS", "positive into the bank"),
        ("temperature", "°C", -60, 90, "", "at the bank"),
        ("midpoint_voltage", "V", -1, 75, "", "between two halves"),
        ("state_of_charge", "%", 0, 100, "", "as the shunt reports it"),
    ),
    *_rows("balancer", "<balancer>", ("current", "A", -100, 100, "", "what the balancer moves")),
    *_rows(
        "load",
        "<load>",
        ("current", "A", -5, 3000, "I_L", "drawn by the load"),
        ("power", "W", -100, 100_000, "P_L", "drawn by the load"),
        ("starts", "count", 0, 1e9, "", "times it has switched on"),
    ),
    *_rows(
        "wind",
        "<wind>",
        ("current", "A", -5, 1000, "I_BU", "from the wind generator"),
        ("power", "W", -100, 100_000, "P_BU", "from the wind generator"),
        ("voltage", "V", -2, 1000, "", "from the wind generator"),
        ("speed", "1/min", 0, 10_000, "", "of the rotor"),
    ),
    *_rows(
        "dump",
        "<dump>",
        ("current", "A", -5, 1000, "", "into the dump load"),
        ("temperature", "°C", -60, 500, "", "of the dump load"),
    ),
    *_rows(
        "enclosure",
        "<enclosure>",
        ("temperature", "°C", -60, 120, "", "air inside the box"),
        ("humidity", "%", 0, 100, "", "air inside the box"),
    ),
    *_rows(
        "fan",
        "<fan>",
        ("running", "0/1", 0, 1, "", "1 while it is told to run"),
        ("speed", "1/min", 0, 30_000, "", "of the rotor"),
        ("current", "A", -0.5, 50, "", "drawn by the fan"),
    ),
    *_rows(
        "air",
        "<place>",
        ("temperature", "°C", -60, 70, "T_am", "outside or in the cabin"),
        ("humidity", "%", 0, 100, "", "outside or in the cabin"),
        ("wind_speed", "m/s", 0, 90, "S_W", "outside"),
        ("pressure", "Pa", 50_000, 110_000, "", "outside"),
    ),
    *_rows(
        "site",
        "position",
        ("latitude", "°", -90, 90, "", "where she lies"),
        ("longitude", "°", -180, 180, "", "where she lies"),
    ),
    *_rows(
        "site",
        "attitude",
        ("heading", "°", 0, 360, "", "true, clockwise from north"),
        ("heel", "°", -90, 90, "", "starboard down is positive"),
        ("pitch", "°", -90, 90, "", "bow up is positive"),
    ),
)

_FIXED = {(q.subject, q.name, q.quantity): q for q in VOCABULARY if not q.name.startswith("<")}
_NAMED = {(q.subject, q.quantity): q for q in VOCABULARY if q.name.startswith("<")}


def lookup(channel: str) -> Quantity:
    """The vocabulary's row for a channel.

    Parameters
    ----------
    channel : str
        For instance ``"array.cabin.voltage"``.

    Raises
    ------
    UnknownChannel
        The vocabulary does not hold it; the message names the nearest that it does.
    """
    parts = channel.split(".")
    if len(parts) == 3:
        subject, name, quantity = parts
        fixed = _FIXED.get((subject, name, quantity))
        if fixed:
            return fixed
        row = _NAMED.get((subject, quantity))
        if row and NAME.fullmatch(name):
            return row
        if row:
            raise UnknownChannel(f"channel {channel!r}: the name {name!r} may hold a-z 0-9 _ - alone")
    name = parts[1] if len(parts) == 3 else "NAME"
    shapes = [f"{q.subject}.{name if q.name.startswith('<') else q.name}.{q.quantity}" for q in VOCABULARY]
    near = difflib.get_close_matches(channel, shapes, n=1, cutoff=0.5)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    raise UnknownChannel(f"no channel {channel!r}{hint} (a channel is subject.name.quantity)")
