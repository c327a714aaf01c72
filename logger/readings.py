"""Owns the small frozen values that travel from a line to the store."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Reading:
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
