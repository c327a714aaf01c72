"""Owns the conversion from what a device sends to the vocabulary's units: the only place a factor is written."""

from __future__ import annotations

import difflib
from dataclasses import dataclass

from logger.errors import UnknownUnit


@dataclass(frozen=True, slots=True)
class Conversion:
    """A straight line from the device's unit to the vocabulary's: ``value * scale + offset``."""

    scale: float = 1.0
    offset: float = 0.0

    def __call__(self, value: float) -> float:
        return value * self.scale + self.offset

    def after(self, scale: float, offset: float) -> Conversion:
        """Conversion that first applies the device's own ``scale`` and ``offset``, then this unit."""
        return Conversion(scale * self.scale, offset * self.scale + self.offset)


# Each family: the vocabulary's unit first, then what devices send. Exact factors unless a source stands beside.
_FAMILIES: dict[str, dict[str, Conversion]] = {
    "V": {
        "V": Conversion(),
        "mV": Conversion(1e-3),
        "cV": Conversion(1e-2),
        "dV": Conversion(1e-1),
        "kV": Conversion(1e3),
    },
    "A": {
        "A": Conversion(),
        "mA": Conversion(1e-3),
        "cA": Conversion(1e-2),
        "dA": Conversion(1e-1),
        "uA": Conversion(1e-6),
        "µA": Conversion(1e-6),
        "kA": Conversion(1e3),
    },
    "W": {"W": Conversion(), "mW": Conversion(1e-3), "kW": Conversion(1e3), "MW": Conversion(1e6)},
    "Wh": {
        "Wh": Conversion(),
        "kWh": Conversion(1e3),
        "mWh": Conversion(1e-3),
        "J": Conversion(1 / 3600),
        "kJ": Conversion(1 / 3.6),
        "MJ": Conversion(1e3 / 3.6),
    },
    "W/m²": {
        "W/m²": Conversion(),
        "W/m2": Conversion(),
        "W/m^2": Conversion(),
        "kW/m²": Conversion(1e3),
        "kW/m2": Conversion(1e3),
        "mW/cm²": Conversion(10.0),
        "mW/cm2": Conversion(10.0),
    },
    "lx": {"lx": Conversion(), "lux": Conversion(), "klx": Conversion(1e3), "klux": Conversion(1e3)},
    "°C": {
        "°C": Conversion(),
        "C": Conversion(),
        "degC": Conversion(),
        "m°C": Conversion(1e-3),
        "°F": Conversion(5 / 9, -160 / 9),
        "F": Conversion(5 / 9, -160 / 9),
        "degF": Conversion(5 / 9, -160 / 9),
        "K": Conversion(1.0, -273.15),
    },
    "%": {"%": Conversion(), "percent": Conversion(), "fraction": Conversion(100.0), "‰": Conversion(0.1)},
    "m/s": {
        "m/s": Conversion(),
        "km/h": Conversion(1 / 3.6),
        "kn": Conversion(1852 / 3600),
        "kt": Conversion(1852 / 3600),
        "mph": Conversion(0.44704),
        "ft/s": Conversion(0.3048),
    },
    "Pa": {
        "Pa": Conversion(),
        "hPa": Conversion(100.0),
        "mbar": Conversion(100.0),
        "mb": Conversion(100.0),
        "kPa": Conversion(1e3),
        "bar": Conversion(1e5),
        "inHg": Conversion(3386.389),
    },  # conventional inch of mercury at 0 °C, NIST SP 811 B.8
    "1/min": {
        "1/min": Conversion(),
        "rpm": Conversion(),
        "r/min": Conversion(),
        "1/s": Conversion(60.0),
        "Hz": Conversion(60.0),
    },
    "°": {"°": Conversion(), "deg": Conversion(), "rad": Conversion(57.29577951308232)},
    "count": {"count": Conversion(), "1": Conversion()},
    "0/1": {"0/1": Conversion(), "bool": Conversion(), "1": Conversion()},
    "text": {"text": Conversion()},
}


def conversion(sent: str, wanted: str) -> Conversion:
    """Conversion from the unit a device sends to the vocabulary's unit.

    Parameters
    ----------
    sent : str
        Unit as written in the settings, for instance ``"mV"``. Case counts: mW is not MW.
    wanted : str
        Unit of the channel, one of the vocabulary's.

    Raises
    ------
    UnknownUnit
        `sent` is no unit of that kind; the message lists those that are.
    """
    family = _FAMILIES[wanted]
    if sent in family:
        return family[sent]
    near = [unit for unit in family if unit.lower() == sent.lower()] or difflib.get_close_matches(sent, family, n=1)
    hint = f"; did you mean {' or '.join(map(repr, near))}?" if near else ""
    raise UnknownUnit(f"unit {sent!r} cannot become {wanted}{hint} (known: {', '.join(family)})")


def known_units() -> tuple[str, ...]:
    """The vocabulary's units, in the order of their families."""
    return tuple(_FAMILIES)
