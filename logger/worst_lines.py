"""Owns the lines on which a regular expression takes longest, and the trying of them in a process of its own.

Python holds its lock while a pattern is matched: one that goes through all ways to divide a line, of which there are
billions, would stop every source, and noise can make such a line out of any. Standard library only.

``python -m logger.worst_lines`` reads a pattern from standard input, and prints the line on which it takes too long.
"""

from __future__ import annotations

import itertools
import re
import signal
import subprocess
import sys
import time
import warnings
from collections.abc import Iterable, Iterator
from functools import lru_cache
from re import _constants, _parser  # type: ignore[attr-defined]  # the only way to a pattern's parts
from typing import Any

from logger.decoders.pattern import LONGEST

MOST_S = 0.25
"""What one line may cost of a processor: a line at 115,200 baud waits no longer in the kernel."""

_ALL_TRIES_S, _PATIENCE_S = 4.0, 60.0
_SHORT = 40  # where the ways double with each character there are enough of them already
_USUAL = "0a ,;=.-"
_NO_END = ("\x01", "")
_SAMPLES = {
    _constants.CATEGORY_DIGIT: "0", _constants.CATEGORY_WORD: "a", _constants.CATEGORY_SPACE: " ",
    _constants.CATEGORY_NOT_DIGIT: "a", _constants.CATEGORY_NOT_WORD: " ", _constants.CATEGORY_NOT_SPACE: "a",
}  # fmt: skip


class _TooLong(Exception):
    """Raised while a pattern is matched, once it has had its time."""


@lru_cache
def slow_line(pattern: str) -> str | None:
    """A line on which a pattern takes too long; None where none was found.

    Parameters
    ----------
    pattern : str
        A regular expression that can be compiled.
    """
    command = [sys.executable, "-P", "-m", "logger.worst_lines"]
    try:
        done = subprocess.run(
            command, input=pattern.encode("utf-8", "surrogatepass"), capture_output=True, check=False,
            timeout=_PATIENCE_S,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return next(iter(_lines(pattern, LONGEST)), "")
    return done.stdout.decode("utf-8", "surrogatepass") or None


def _slow_line(pattern: str) -> str | None:
    with warnings.catch_warnings(action="ignore"):
        search = re.compile(pattern).search
    signal.signal(signal.SIGPROF, _too_long)
    began = time.process_time()
    for line in itertools.chain(_lines(pattern, _SHORT), _lines(pattern, LONGEST)):
        signal.setitimer(signal.ITIMER_PROF, MOST_S)
        try:
            search(line)
            signal.setitimer(signal.ITIMER_PROF, 0)
        except _TooLong:
            return line
        if time.process_time() - began > _ALL_TRIES_S:
            break
    return None


def _too_long(*_: object) -> None:
    raise _TooLong


def _lines(pattern: str, length: int) -> Iterator[str]:
    """For each repeat: what leads to it, then one thing again and again, and an end that does not fit."""
    with warnings.catch_warnings(action="ignore"):
        parts = list(_parser.parse(pattern))
    letters = dict.fromkeys([*_letters(parts), *_USUAL])
    for before, body in dict.fromkeys([("", _sample(parts)), *_repeats(parts, "")]):
        for again in dict.fromkeys([body, *letters, *(body + letter for letter in letters)]):
            if again:
                whole = (before + again * length)[: length - 1]
                yield from (whole + end for end in _NO_END)


def _repeats(parts: Iterable[Any], before: str) -> Iterator[tuple[str, str]]:
    """What stands before each repeat, and what one turn of it takes."""
    for part in parts:
        kind, about = part
        if kind in _REPEATS:
            _, most, body = about
            if most > 1:
                yield before, _sample(body)
        for inner in _inner(part):
            yield from _repeats(inner, before)
        before += _sample([part])


_REPEATS = {_constants.MAX_REPEAT, _constants.MIN_REPEAT, _constants.POSSESSIVE_REPEAT}


def _inner(part: tuple[Any, Any]) -> list[Any]:
    """The parts within a part."""
    kind, about = part
    if kind is _constants.BRANCH:
        return list(about[1])
    if kind is _constants.GROUPREF_EXISTS:
        return [inner for inner in about[1:] if inner is not None]
    if kind is _constants.ATOMIC_GROUP:
        return [about]
    return [about[_PLACE[kind]]] if kind in _PLACE else []


_PLACE = dict.fromkeys(_REPEATS, 2) | {_constants.SUBPATTERN: 3, _constants.ASSERT: 1, _constants.ASSERT_NOT: 1}
"""Where a part keeps the parts within it."""


def _sample(parts: Iterable[Any]) -> str:
    """A text that the parts take."""
    said = ""
    for part in parts:
        kind, about = part
        if kind is _constants.LITERAL:
            said += chr(about)
        elif kind is _constants.IN:
            said += next(iter(_letters([part])), "a")
        elif kind in (_constants.ANY, _constants.NOT_LITERAL):
            said += "a" if about != ord("a") else "b"
        elif kind in _REPEATS:
            said += _sample(about[2]) * min(max(about[0], 1), LONGEST)
        elif kind not in (_constants.ASSERT, _constants.ASSERT_NOT):
            said += "".join(_sample(inner) for inner in _inner(part)[:1])
        said = said[:LONGEST]
    return said


def _letters(parts: Iterable[Any]) -> Iterator[str]:
    """Characters that stand for what the parts tell apart."""
    for part in parts:
        kind, about = part
        if kind is _constants.LITERAL:
            yield chr(about)
        elif kind is _constants.IN and about[0][0] is _constants.NEGATE:
            taken = set(_letters([(_constants.IN, about[1:])]))
            yield next(letter for letter in "a0 xz,-\x02" if letter not in taken)
            yield from taken
        elif kind is _constants.IN:
            for what, of in about:
                if what is _constants.LITERAL:
                    yield chr(of)
                elif what is _constants.RANGE:
                    yield chr(of[0])
                elif what is _constants.CATEGORY:
                    yield _SAMPLES.get(of, "a")
        else:
            for inner in _inner(part):
                yield from _letters(inner)


if __name__ == "__main__":
    found = _slow_line(sys.stdin.buffer.read().decode("utf-8", "surrogatepass"))
    sys.stdout.buffer.write((found or "").encode("utf-8", "surrogatepass"))
