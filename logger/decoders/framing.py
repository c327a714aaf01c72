"""Owns cutting a stream of bytes into lines, whatever ends them and however the bytes are chunked."""

from __future__ import annotations

import re

from logger.readings import Reject

MAX_LINE = 4096
FIRST_LINE = "first line after opening"
INCOMPLETE = "incomplete"

_END = re.compile(rb"\r\n|\r|\n")


class LineSplitter:
    """Bytes in, whole lines out; LF, CR and CRLF end a line, in any mixture, and none makes an empty line.

    A CR ends its line at once, for a device that never sends LF would else be heard one line late; the LF that may
    follow, even in the next chunk, is swallowed. A line without an end is cut: one reject, the rest of it dropped.

    Parameters
    ----------
    distrust_first : bool
        Whether the first line after each opening is rejected: it may have begun before we listened.
    longest : int
        Where a line without an end is cut [bytes].
    """

    def __init__(self, distrust_first: bool = True, longest: int = MAX_LINE) -> None:
        self._distrust, self._longest = distrust_first, longest
        self.opened()

    def opened(self) -> None:
        """A new opening: forget the half line, distrust the next."""
        self._tail = b""
        self._after_cr = False
        self._overlong = False
        self._unsure = self._distrust

    def feed(self, data: bytes) -> list[bytes | Reject]:
        """The lines, without their ends, that `data` completes, and what was cut off."""
        if self._after_cr and data[:1] == b"\n":
            data = data[1:]
            self._after_cr = False
        if not data:
            return []
        self._after_cr = data.endswith(b"\r")
        pieces = _END.split(self._tail + data)
        self._tail = pieces.pop()
        lines: list[bytes | Reject] = []
        for piece in pieces:
            if self._overlong:
                self._overlong = False
            elif len(piece) > self._longest:
                lines.append(self._too_long(piece))
            elif piece:
                lines.append(Reject(piece, FIRST_LINE) if self._unsure else piece)
            self._unsure = False
        if self._overlong:
            self._tail = b""
        elif len(self._tail) > self._longest:
            lines.append(self._too_long(self._tail))
            self._tail, self._overlong = b"", True
        return lines

    def _too_long(self, line: bytes) -> Reject:
        return Reject(line[: self._longest], f"longer than {self._longest} bytes")

    def finish(self) -> list[bytes | Reject]:
        """The line is gone: what was begun stays half."""
        tail, self._tail = self._tail, b""
        return [Reject(tail, INCOMPLETE)] if tail.strip() else []
