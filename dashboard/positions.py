"""Owns reading what a person types for a number or a position: decimal comma, a unit behind it, degrees and minutes."""

from __future__ import annotations

import re

_NUMBER = r"\d+(?:[.,]\d+)?"
_PLAIN = re.compile(rf"([-+−]?{_NUMBER})\s*(?:mm²|mm2|%/K|[A-Za-z°%Ω]{{0,3}})")
_ANGLE = re.compile(
    rf"([NSEW])?\s*([-+−]?{_NUMBER})\s*°?\s*(?:({_NUMBER})\s*['′]?\s*)?(?:({_NUMBER})\s*[\"″]?\s*)?([NSEW])?",
    re.IGNORECASE,
)


def number(typed: str) -> float:
    """A number as people write it, for instance ``24,3 V``.

    Raises
    ------
    ValueError
        It is none.
    """
    found = _PLAIN.fullmatch(typed.strip())
    if not found:
        raise ValueError(f"{typed.strip()!r} is not a number; write for instance 24.3")
    return _float(found[1])


def angle(typed: str, positive: str, negative: str) -> float:
    """A latitude or longitude: ``47.58``, ``-2.9``, ``47 34.8 N``, ``2°54'00" W``.

    Parameters
    ----------
    typed : str
    positive, negative : str
        Letters of the two directions, for instance ``"N"`` and ``"S"``.

    Returns
    -------
    float
        [°], to the fifth decimal, about a metre.

    Raises
    ------
    ValueError
        It is none, or its minutes, seconds or letter make no sense.
    """
    found = _ANGLE.fullmatch(typed.strip())
    if not found:
        raise ValueError(f"{typed.strip()!r} is no position; write for instance 47.58 or 47 34.8 {positive}")
    before, degrees, minutes, seconds, after = found.groups()
    letter = (before or after or "").upper()
    if (before and after) or (letter and letter not in (positive, negative)):
        raise ValueError(f"{typed.strip()!r}: write one letter, {positive} or {negative}")
    value, small = _float(degrees), (_float(minutes or "0"), _float(seconds or "0"))
    if max(small) >= 60 or (value < 0 and letter):
        raise ValueError(f"{typed.strip()!r}: minutes and seconds lie below 60, and a sign goes without a letter")
    size = abs(value) + small[0] / 60 + small[1] / 3600
    return round(-size if degrees[0] in "-−" or letter == negative else size, 5)


def _float(written: str) -> float:
    return float(written.replace(",", ".").replace("−", "-"))
