"""Owns captures: a file of raw bytes with their times, one stream a source, by which trouble is reported and replayed.

A capture is JSON, one value a line, and only ever grows, so that a power cut costs at most its last line::

    {"capture": "noonmark 1", "t": 1781265600000, "about": "bytes as each source sent them, ..."}
    {"t": 1781265600120, "source": "cabin controller", "is": "opened"}
    {"t": 1781265601120, "source": "cabin controller", "data": "Vj0xMy4xLEk9NC4yDQo="}
    {"t": 1781265650000, "source": "cabin controller", "is": "lost"}

``t`` is in milliseconds since 1970 UTC, ``data`` is base64. Standard library only.
"""

from __future__ import annotations

import json
import logging
import os
from binascii import Error, a2b_base64, b2a_base64
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from logger.errors import CaptureFault
from logger.protocols import Decoder, Line
from logger.readings import Item

log = logging.getLogger("noonmark.logger")

FORM = "noonmark 1"
OPENED, LOST = "opened", "lost"
_ABOUT = "bytes as each source sent them, base64; t in milliseconds since 1970 UTC"


@dataclass(frozen=True, slots=True)
class Piece:
    """Something that happened on a line: bytes that came in one read, or that it was opened or lost.

    Attributes
    ----------
    t : int
        When [ms UTC].
    source : str
        On which source's line.
    data : bytes
        Empty where it was opened or lost.
    what : str
        ``data``, ``opened`` or ``lost``.
    """

    t: int
    source: str
    data: bytes
    what: str = "data"


class Capture:
    """A capture that grows. Used by the threads of all sources.

    Parameters
    ----------
    path : Path
        Made where it is not; an older capture is gone on with.
    now : callable
        Time [ms UTC].

    Raises
    ------
    CaptureFault
        The file cannot be written.
    """

    def __init__(self, path: Path, now: Callable[[], int]) -> None:
        self._path, self._now, self._lock = path, now, Lock()
        try:
            self._file = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o644)
            size = os.fstat(self._file).st_size
            # Its last line may have been cut by a power cut.
            cut = size > 0 and os.pread(self._file, 1, size - 1) != b"\n"
            os.write(self._file, b"\n" * cut + _line({"capture": FORM, "t": now(), "about": _ABOUT}))
        except OSError as fault:
            raise CaptureFault(f"capture {path}: cannot be written ({fault.strerror}); name another file") from None
        self._broken = False

    def close(self) -> None:
        with self._lock:
            self._broken = True
            os.close(self._file)

    def data(self, source: str, data: bytes) -> None:
        self._write({"t": self._now(), "source": source, "data": b2a_base64(data, newline=False).decode("ascii")})

    def note(self, source: str, what: str) -> None:
        """That a line was opened or lost."""
        self._write({"t": self._now(), "source": source, "is": what})

    def _write(self, entry: dict[str, object]) -> None:
        with self._lock:
            if self._broken:
                return
            try:
                os.write(self._file, _line(entry))
            except OSError as fault:
                # Recording matters more.
                self._broken = True
                log.error("capture %s ends here (%s); recording goes on", self._path, fault.strerror)


def _line(entry: dict[str, object]) -> bytes:
    return json.dumps(entry, ensure_ascii=False).encode() + b"\n"


class CapturedLine:
    """A line whose bytes are captured on their way to the decoder."""

    def __init__(self, line: Line, capture: Capture, source: str) -> None:
        self._line, self._capture, self._source = line, capture, source
        self._open = False

    def open(self) -> None:
        self._line.open()
        self._open = True
        self._capture.note(self._source, OPENED)

    def read(self) -> bytes:
        data = self._line.read()
        if data and self._open:
            self._capture.data(self._source, data)
        return data

    def close(self) -> None:
        if self._open:
            self._open = False
            self._capture.note(self._source, LOST)
        self._line.close()


def pieces(path: Path, source: str | None = None) -> Iterator[Piece]:
    """What a capture holds, in order; lines that a power cut left in pieces are passed over.

    Parameters
    ----------
    path : Path
    source : str, optional
        One stream of it; all where absent.

    Raises
    ------
    CaptureFault
        There is no such file, or it is no capture.
    """
    try:
        with path.open("rb") as file:
            first = _entry(file.readline())
            if first.get("capture") != FORM:
                raise CaptureFault(f"{path}: no capture; 'noonmark record --capture FILE' writes one")
            for line in file:
                piece = _piece(_entry(line))
                if piece and source in (None, piece.source):
                    yield piece
    except OSError as fault:
        raise CaptureFault(f"capture {path}: cannot be read ({fault.strerror})") from None


def _entry(line: bytes) -> dict[str, object]:
    try:
        entry = json.loads(line)
    except (ValueError, RecursionError):
        return {}
    return entry if isinstance(entry, dict) else {}


def _piece(entry: dict[str, object]) -> Piece | None:
    t, source, data, what = (entry.get(key) for key in ("t", "source", "data", "is"))
    if not isinstance(t, int) or not isinstance(source, str):
        return None
    if what in (OPENED, LOST):
        return Piece(t, source, b"", str(what))
    try:
        return Piece(t, source, a2b_base64(data)) if isinstance(data, str) else None
    except (Error, ValueError):
        return None


def decoded(captured: Iterator[Piece], decoder: Decoder) -> Iterator[tuple[int, Item]]:
    """What one stream of a capture means, with the times at which its bytes came [ms UTC]; as fast as it is taken."""
    t = 0
    for piece in captured:
        t = piece.t
        if piece.what == OPENED:
            decoder.opened()
        items = decoder.finish() if piece.what == LOST else decoder.feed(piece.data)
        yield from ((t, item) for item in items)
    yield from ((t, item) for item in decoder.finish())
