"""Owns the writing of numbers, quantities, dates and times, as every page and sheet shows them."""

from __future__ import annotations

import datetime as dt
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

NBSP = "\u00a0"
UNKNOWN = "not known"


def number(value: float, digits: int = 0) -> str:
    """With a comma between thousands, a true minus sign, and no minus before nothing."""
    text = f"{value:,.{digits}f}"
    if text.startswith("-"):
        text = text[1:] if not text.strip("-0.,") else "−" + text[1:]
    return text


def quantity(value: float | None, unit: str, digits: int = 0) -> str:
    """Number and unit that stay on one line."""
    return UNKNOWN if value is None else f"{number(value, digits)}{NBSP}{unit}"


def energy(wh: float | None) -> str:
    """Watt-hours up to 10 kWh, kilowatt-hours from there."""
    if wh is not None and abs(wh) >= 9_999.5:
        return quantity(wh / 1000, "kWh", 1)
    return quantity(wh, "Wh")


def percent(fraction: float | None) -> str:
    """A fraction in per cent."""
    return UNKNOWN if fraction is None else quantity(100 * fraction, "%")


def chance(probability: float) -> str:
    """A probability in per cent; what is small is not said to be nothing."""
    return f"under {quantity(1, '%')}" if probability < 0.005 else percent(probability)


def resistance(ohm: float | None) -> str:
    """Milliohms up to 10 Ω."""
    if ohm is not None and abs(ohm) >= 10:
        return quantity(ohm, "Ω", 1)
    return quantity(None if ohm is None else 1000 * ohm, "mΩ")


def span(low: float | None, high: float | None, digits: int = 0) -> str:
    """An interval, without its unit."""
    if low is None or high is None:
        return UNKNOWN
    return f"{number(low, digits)} to {number(high, digits)}"


def hours(minutes: float) -> str:
    """Minutes as said aloud: minutes up to two hours, then hours."""
    return quantity(minutes, "min") if minutes < 120 else quantity(minutes / 60, "h", 1)


def count(n: int, one: str, many: str | None = None) -> str:
    """Number and noun, small numbers in letters."""
    letters = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
    return f"{letters[n] if n < len(letters) else n} {one if n == 1 else (many or one + 's')}"


def listed(items: list[str]) -> str:
    """Items as said aloud: "a, b and c"."""
    return " and ".join(([", ".join(items[:-1])] if len(items) > 1 else []) + items[-1:])


def sentence(text: str) -> str:
    """With its capital and its full stop."""
    text = capital(text.strip())
    return text if text.endswith((".", "?")) or not text else text + "."


def capital(text: str) -> str:
    """First letter upper case, the rest as it is."""
    return text[:1].upper() + text[1:]


# -- times ----------------------------------------------------------------------------------------------------

_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
_SEASONS = ("winter", "spring", "summer", "autumn")
_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@dataclass(frozen=True, slots=True)
class LocalTime:
    """Writes moments [ms UTC] in the site's zone; the year is left out where it is the present one.

    Attributes
    ----------
    zone : ZoneInfo
        The site's.
    now : int
        The moment that counts as the present, UTC [ms].
    """

    zone: ZoneInfo
    now: int

    def local(self, t: int) -> dt.datetime:
        return dt.datetime.fromtimestamp(t / 1000, tz=dt.UTC).astimezone(self.zone)

    def clock(self, t: int | None) -> str:
        """Hours and minutes, rounded to the minute."""
        return "—" if t is None else f"{self.local(t + 30_000):%H:%M}"

    def day(self, t: int) -> str:
        return self.date(self.local(t).date())

    def date(self, day: dt.date) -> str:
        year = "" if day.year == self.local(self.now).year else f" {day.year}"
        return f"{day.day}{NBSP}{_MONTHS[day.month - 1]}{year}"

    def moment(self, t: int) -> str:
        return f"{self.day(t)} {self.clock(t)}"

    def weekday(self, day: dt.date) -> str:
        return f"{_WEEKDAYS[day.weekday()]} {day.day}"

    def month(self, day: dt.date) -> str:
        return f"{_MONTHS[day.month - 1]} {day.year}"

    def name(self) -> str:
        """The zone; its abbreviation would be wrong for half the year that a page shows."""
        return self.zone.key

    def ago(self, t: int) -> str:
        """How long before the present, in one coarse unit."""
        minutes = (self.now - t) / 60_000
        if minutes < 2:
            return "just now"
        if minutes < 120:
            return f"{minutes:.0f} minutes ago"
        if minutes < 48 * 60:
            return f"{minutes / 60:.0f} hours ago"
        return f"{minutes / 1440:.0f} days ago"


def dates(first: dt.date, last: dt.date) -> str:
    """Two dates, both included, with what they share said once."""
    end = f"{last.day}{NBSP}{_MONTHS[last.month - 1]}{NBSP}{last.year}"
    if first == last:
        return end
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day} to {end}"
    start = f"{first.day}{NBSP}{_MONTHS[first.month - 1]}" + ("" if first.year == last.year else f" {first.year}")
    return f"{start} to {end}"


def period_word(day: dt.date, by: str) -> str:
    """The week, month or season that a day lies in: "week 24", "June", "summer"."""
    if by == "week":
        return f"week{NBSP}{day.isocalendar().week}"
    return _MONTHS[day.month - 1] if by == "month" else _SEASONS[day.month % 12 // 3]


# -- thin terminals -------------------------------------------------------------------------------------------

_PLAIN = str.maketrans({
    "Ω": "ohm", "°": "deg ", "²": "2", "−": "-", "–": "-", "—": "-", "×": "x", "·": "-", "≥": ">=", "≤": "<=",
    NBSP: " ", "’": "'", "“": '"', "”": '"', "…": "...",
})  # fmt: skip


def ascii_only(text: str) -> str:
    """The same text for a terminal that can show no more than ASCII."""
    plain = unicodedata.normalize("NFKD", text.translate(_PLAIN))
    return plain.encode("ascii", "ignore").decode("ascii")


def facing(told: Mapping[str, Any]) -> str:
    """Where a plane faces, and where it is drawn; `told` is a finding's evidence, or ``facing`` of an assessment."""
    is_, drawn = (
        f"{number(told[tilt])}° towards {number(told[azimuth])}°"
        for tilt, azimuth in (("tilt", "azimuth"), ("drawn_tilt", "drawn_azimuth"))
    )
    return f"tilted {is_}, drawn {drawn}"


def late(minutes: float) -> str:
    """By how many hours a clock is late, or early."""
    hours = round(abs(minutes) / 60)
    return f"{'an hour' if hours == 1 else f'{number(hours)} hours'} {'late' if minutes > 0 else 'early'}"
