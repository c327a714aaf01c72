"""Owns what each NMEA 0183 sentence says in plain quantities: strict numbers, valid fixes, true headings."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

import pynmea2

from logger.units import conversion

Value = float | str | None
"""A number; or a few words on why the field is none; or None where the sentence leaves it empty."""

NOT_A_NUMBER = "is not a number"

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)")
_DEGREES = re.compile(r"([0-9]{1,3})([0-5][0-9](?:\.[0-9]*)?)")
# Autonomous, differential, float, precise, fixed: not estimated, typed by hand, simulated or void.
_FIX_MODES = frozenset("ADFPR")
_FIX_QUALITIES = frozenset("12345")
FIX_SENTENCES = frozenset(("RMC", "GGA", "GLL", "GNS"))
_SPEEDS = {"K": "km/h", "M": "m/s", "N": "kn", "S": "mph"}
# By type and unit letter, what a transducer's value is taken from and to; the rest is handed on as it is sent.
_TRANSDUCERS = {"C": {"F": ("°F", "°C"), "K": ("K", "°C")}, "P": {"B": ("bar", "Pa")}}
# Common practice, no source: the names by which sensors tell heel and pitch, starboard down and bow up positive.
_ATTITUDE = {"HEEL": "heel", "ROLL": "heel", "PITCH": "pitch", "PTCH": "pitch"}


class THS(pynmea2.TalkerSentence):  # type: ignore[misc]  # the library has no types
    """True heading and status, of NMEA 0183 version 4; the library does not hold it."""

    fields = (("Heading", "heading"), ("Mode indicator", "mode"))


class MTA(pynmea2.TalkerSentence):  # type: ignore[misc]
    """Air temperature; the library does not hold it."""

    fields = (("Air temperature", "temperature"), ("Unit of measurement", "units"))


def plain(message: pynmea2.TalkerSentence, known_variation: float | None) -> dict[str, Value]:
    """The plain quantities and the transducers of a sentence.

    Parameters
    ----------
    message : TalkerSentence
        With its fields by name.
    known_variation : float or None
        Magnetic variation that the receiver last told, for a compass that does not know it [°, east positive].

    Returns
    -------
    dict
        By name (`nmea_fields`), in the unit of the quantity.
    """
    read = _READERS.get(message.sentence_type)
    if message.sentence_type == "HDG":
        return {"heading": _from_magnetic(message, known_variation)}
    return read(message) if read else {}


def number(text: str) -> Value:
    """A strict number."""
    text = text.strip()
    if not text:
        return None
    if not _NUMBER.fullmatch(text):
        return NOT_A_NUMBER
    value = float(text)
    return value if math.isfinite(value) else NOT_A_NUMBER


def is_fix(message: pynmea2.TalkerSentence) -> bool:
    """Whether a receiver stands behind the position and the time of an RMC, GGA, GLL or GNS sentence."""
    kind = message.sentence_type
    if kind == "GGA":
        return _text(message, "gps_qual") in _FIX_QUALITIES
    if kind == "GNS":
        return bool(_FIX_MODES.intersection(_text(message, "mode_indicator")))
    mode = _text(message, "mode_indicator" if kind == "RMC" else "faa_mode")
    return _text(message, "status") == "A" and (not mode or mode in _FIX_MODES)


def variation(message: pynmea2.TalkerSentence) -> float | None:
    """Magnetic variation of an RMC sentence [°, east positive]."""
    value = _signed(message, "mag_variation", "mag_var_dir", "E", "W")
    return value if isinstance(value, float) else None


# -- the sentences ---------------------------------------------------------------------------------------------


def _position(message: pynmea2.TalkerSentence) -> dict[str, Value]:
    return {
        "latitude": _degrees(message, "lat", "lat_dir", "NS", 90.0),
        "longitude": _degrees(message, "lon", "lon_dir", "EW", 180.0),
    }


def _hdt(message: pynmea2.TalkerSentence) -> dict[str, Value]:
    return {"heading": _round(number(_text(message, "heading")))}


def _ths(message: pynmea2.TalkerSentence) -> dict[str, Value]:
    # Autonomous or estimated; neither typed, simulated nor void.
    return _hdt(message) if _text(message, "mode") in ("A", "E") else {}


def _from_magnetic(message: pynmea2.TalkerSentence, known_variation: float | None) -> Value:
    """True heading: compass plus deviation plus variation, east positive; none without a variation."""
    compass = number(_text(message, "heading"))
    deviation = _signed(message, "deviation", "dev_dir", "E", "W")
    magnetic = _signed(message, "variation", "var_dir", "E", "W")
    magnetic = known_variation if magnetic is None else magnetic
    for part in (compass, deviation, magnetic):
        if isinstance(part, str):
            return part
    if not isinstance(compass, float) or not isinstance(magnetic, float):
        return None
    return _round(compass + (deviation if isinstance(deviation, float) else 0.0) + magnetic)


def _mwd(message: pynmea2.TalkerSentence) -> dict[str, Value]:
    metres = number(_text(message, "wind_speed_meters"))
    return {"wind_speed": metres if metres is not None else _speed(number(_text(message, "wind_speed_knots")), "N")}


def _mwv(message: pynmea2.TalkerSentence) -> dict[str, Value]:
    if _text(message, "reference") != "T" or _text(message, "status") != "A":
        return {}
    return {"wind_speed": _speed(number(_text(message, "wind_speed")), _text(message, "wind_speed_units"))}


def _mta(message: pynmea2.TalkerSentence) -> dict[str, Value]:
    return {"air_temperature": number(_text(message, "temperature"))} if _text(message, "units") == "C" else {}


def _mda(message: pynmea2.TalkerSentence) -> dict[str, Value]:
    pressure = _converted(number(_text(message, "b_pressure_bar")), "bar", "Pa")
    if pressure is None:
        pressure = _converted(number(_text(message, "b_pressure_inch")), "inHg", "Pa")
    return {
        "pressure": pressure,
        "air_temperature": number(_text(message, "air_temp")),
        "humidity": number(_text(message, "rel_humidity")),
    }


def _xdr(message: pynmea2.TalkerSentence) -> dict[str, Value]:
    found: dict[str, Value] = {}
    for start in range(0, len(message.data) - 2, 4):
        kind, value, unit, *names = (part.strip() for part in message.data[start : start + 4])
        name = names[0] if names else ""
        sent = _converted(number(value), *_TRANSDUCERS.get(kind, {}).get(unit, ("", "")))
        found.setdefault(f"{kind} {name}".strip(), sent)
        if kind == "A" and unit == "D" and name.upper() in _ATTITUDE:
            found.setdefault(_ATTITUDE[name.upper()], sent)
    return found


_READERS: dict[str, Callable[[pynmea2.TalkerSentence], dict[str, Value]]] = {
    "RMC": _position,
    "GGA": _position,
    "GLL": _position,
    "GNS": _position,
    "HDT": _hdt,
    "THS": _ths,
    "MWD": _mwd,
    "MWV": _mwv,
    "MTA": _mta,
    "MDA": _mda,
    "XDR": _xdr,
}


# -- their fields ------------------------------------------------------------------------------------------------


def _text(message: pynmea2.TalkerSentence, name: str) -> str:
    """A field as it was sent; empty where the sentence ends before it."""
    place = type(message).name_to_idx[name]
    return str(message.data[place]).strip() if place < len(message.data) else ""


def _degrees(message: pynmea2.TalkerSentence, name: str, side: str, sides: str, most: float) -> Value:
    """Degrees and minutes with their hemisphere."""
    text, hemisphere = _text(message, name), _text(message, side)
    if not text and not hemisphere:
        return None
    found = _DEGREES.fullmatch(text)
    if not found or len(hemisphere) != 1 or hemisphere not in sides:
        return "is not degrees and minutes with a hemisphere"
    value = float(found[1]) + float(found[2]) / 60.0
    if value > most:
        return f"is beyond {most:g} degrees"
    return value if hemisphere == sides[0] else -value


def _signed(message: pynmea2.TalkerSentence, name: str, side: str, positive: str, negative: str) -> Value:
    value, sign = number(_text(message, name)), _text(message, side)
    if not isinstance(value, float):
        return value
    if sign not in (positive, negative):
        return f"lacks its {positive} or {negative}"
    return value if sign == positive else -value


def _round(value: Value) -> Value:
    return value % 360.0 if isinstance(value, float) else value


def _speed(value: Value, letter: str) -> Value:
    unit = _SPEEDS.get(letter)
    return _converted(value, unit, "m/s") if unit else None if value is None else "is in no known unit"


def _converted(value: Value, sent: str, wanted: str) -> Value:
    return conversion(sent, wanted)(value) if isinstance(value, float) and sent else value
