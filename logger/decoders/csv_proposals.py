"""Owns proposing how the time stamps of a file are written, for a person to copy into the settings; never acted on."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from itertools import pairwise

from logger.plan import TimePlan

# Stamps of instruments lie between these; a plain number out of them is no count of seconds.
_EARLIEST_S, _LATEST_S = 631_152_000, 4_102_444_800  # 1990, 2100
_DATES = (
    "%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%m-%d-%Y", "%d.%m.%Y", "%y-%m-%d",
    "%d/%m/%y", "%m/%d/%y", "%d.%m.%y", "%d-%b-%Y", "%d %b %Y", "%d/%b/%Y", "%d-%b-%y", "%d %B %Y", "%b %d %Y",
    "%b %d, %Y", "%B %d, %Y", "%B %d %Y", "%a %d %b %Y", "%a, %d %b %Y", "%Y%m%d", "%Y%j", "%Y-%j", "%Y/%j",
)  # fmt: skip
_CLOCKS = (
    "", "%H:%M", "%H:%M:%S", "%H:%M:%S.%f", "%I:%M %p", "%I:%M:%S %p", "%I:%M%p", "%H%M", "%H%M%S", "%Hh%M", "%H.%M",
    "%H.%M.%S",
)  # fmt: skip
_JOINTS = (" ", "T", "", ":", "/", "-", ", ", "_")
_PATTERNS = tuple(
    date + joint + clock for date in _DATES for joint in _JOINTS for clock in _CLOCKS if clock or not joint
)
_ZONE = re.compile(r"(?P<space> ?)(?:(?P<word>Z|UTC|GMT)|[+-]\d{2}:?\d{2})$", re.ASCII)
_CODES_AND_LETTERS = re.compile(r"%.|[^\W_]", re.ASCII)


def proposed(stamps: Sequence[str]) -> list[str]:
    """Formats under which every stamp is a time, those under which the record runs most evenly; empty where none is.

    Parameters
    ----------
    stamps : sequence of str
        As they stand in the file, in its order.

    Returns
    -------
    list of str
        As ``format`` takes them: ``epoch s``, ``epoch ms`` or a pattern of ``strptime``. More than one where the
        stamps leave it open.
    """
    texts = [stamp.strip() for stamp in stamps if stamp.strip()]
    if not texts:
        return []
    for name, per_second in (("epoch s", 1), ("epoch ms", 1000)):
        if all(_is_epoch(text, per_second) for text in texts):
            return [name]
    fitting = {pattern: times for pattern in _patterns(texts[0]) if (times := _read(texts, pattern)) is not None}
    if not fitting:
        return []
    leaps = {pattern: _greatest_leap(times) for pattern, times in fitting.items()}
    # A pattern that reads a month for a day leaps by a month at midnight.
    least = min(leaps.values())
    kept = [pattern for pattern in fitting if leaps[pattern] == least]
    readings: dict[tuple[dt.datetime, ...], str] = {}
    for pattern in kept:
        readings.setdefault(tuple(fitting[pattern]), pattern)
    return list(readings.values())


def advice(time: TimePlan, stamps: Sequence[str]) -> str:
    """The line for the settings under which these stamps can be read, or what to do where none is known."""
    if not stamps:
        return ""
    if isinstance(time.field, tuple):
        return "; field names the columns of year, month, day, hour, minute and second, in this order, as whole numbers"
    formats = proposed(stamps)
    if not formats:
        return (
            f'; say how {stamps[0]!r} is written: format = "..." with the codes of strptime, in the time of this source'
        )
    lines = " or ".join(line(time, pattern) for pattern in formats)
    return f"; {stamps[0]!r} can be read with {lines}"


def line(time: TimePlan, pattern: str) -> str:
    """The ``time`` of a source as the settings have it, with this format."""
    seconds = None if time.interval_ms is None else f"{time.interval_ms / 1000:g}"
    label = None if time.label == "instant" else time.label
    texts = {"field": time.field, "date": time.date, "clock": time.clock, "format": pattern, "zone": time.zone}
    known = (texts | {"label": label}).items()
    told = {key: _shown(value) for key, value in known if isinstance(value, int | str)}
    told |= {} if seconds is None else {"interval_s": seconds}
    told |= {} if time.year is None else {"year": str(time.year)}
    return "time = { " + ", ".join(f"{key} = {value}" for key, value in told.items()) + " }"


def _shown(value: int | str) -> str:
    return str(value) if isinstance(value, int) else '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _patterns(text: str) -> list[str]:
    """The patterns whose punctuation is that of the text; reading by all of them would take seconds."""
    found = _ZONE.search(text)
    zone = (found["space"] + (found["word"] or "%z")) if found else ""
    return [
        pattern + end
        for bare, end in ((text[: found.start()] if found else text, zone), (text, ""))
        for pattern in _PATTERNS
        if _CODES_AND_LETTERS.sub("", pattern) == _CODES_AND_LETTERS.sub("", bare)
    ]


def _is_epoch(text: str, per_second: int) -> bool:
    try:
        return _EARLIEST_S * per_second <= float(text) <= _LATEST_S * per_second
    except ValueError:
        return False


def _read(texts: Sequence[str], pattern: str) -> list[dt.datetime] | None:
    """All of them under a pattern, None where one is no such time."""
    try:
        times = [dt.datetime.strptime(text, pattern).replace(tzinfo=None) for text in texts]  # noqa: DTZ007 - no zone yet
    except ValueError:
        return None
    # Digits without a break are read with the widths that fit; only the full ones are meant.
    if texts[0].isdigit() and any(at.strftime(pattern) != text for at, text in zip(times, texts, strict=True)):
        return None
    return times


def _greatest_leap(times: Sequence[dt.datetime]) -> dt.timedelta:
    steps = [abs(after - before) for before, after in pairwise(times)]
    return max(steps, default=dt.timedelta())
