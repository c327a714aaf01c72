"""Owns the small frozen values that travel from a line to the store."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


class Reading(NamedTuple):
    """One value of one channel, already in the vocabulary's unit.

    Attributes
    ----------
    channel : str
        Vocabulary name.
    value : float or str
        Number, or a word for text channels.
    """

    channel: str
    value: float | str


@dataclass(frozen=True, slots=True)
class Record:
    """What one message of a device said: readings of one moment.

    Attributes
    ----------
    readings : tuple of Reading
        In the order of the settings.
    t : int or None
        Milliseconds since 1970 UTC where the message carries its own time, else None.
    """

    readings: tuple[Reading, ...]
    t: int | None = None


@dataclass(frozen=True, slots=True)
class Reject:
    """Bytes that were not a record, with the reason in a few words."""

    raw: bytes
    reason: str


@dataclass(frozen=True, slots=True)
class TimeEvidence:
    """UTC as a message stated it, for whoever judges the clock.

    Attributes
    ----------
    utc_ms : int
        The stated time [ms UTC].
    source : str
        Which message stated it, for instance ``GPRMC``.
    boot_ns : int or None
        Boot-time clock when it was heard [ns]; None from a decoder, which has no clock: who reads the line fills it in.
    """

    utc_ms: int
    source: str
    boot_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Remark:
    """Something that a decoder noticed and that belongs among the events: its kind in a word or two, and a sentence."""

    kind: str
    text: str


Item = Record | Reject | TimeEvidence | Remark
"""What a decoder makes of the bytes of a live line."""


@dataclass(frozen=True, slots=True)
class RowReject:
    """A row, or one cell of it, of a history file that could not be kept.

    Attributes
    ----------
    line : int
        Line of the file, from 1.
    raw : bytes
        What stood there.
    reason : str
        In a few words, the same for the same kind of trouble.
    t : int or None
        The row's time [ms UTC], where it is known.
    """

    line: int
    raw: bytes
    reason: str
    t: int | None = None


# Marks of values whose own time may be an hour off.
AMBIGUOUS, NON_EXISTENT = "time ambiguous", "time non-existent"


@dataclass(frozen=True, slots=True)
class Block:
    """Rows of a history file, column by column.

    Attributes
    ----------
    times : list of int, shape (rows,)
        Start of each interval, or the instant [ms UTC], in the order of the file.
    columns : tuple of list, one a channel of the source, each of shape (rows,)
        Values in the vocabulary's unit, words for text channels, None where there is no value.
    marks : dict of (int, int) to tuple of str
        Row and column of the values that are to be marked, with the reasons.
    rejects : tuple of RowReject
        What could not be kept.
    """

    times: list[int]
    columns: tuple[list[float | str | None], ...]
    marks: dict[tuple[int, int], tuple[str, ...]]
    rejects: tuple[RowReject, ...] = ()
