"""Owns the way from the bytes of a history file to its records: line ends, quotes, NUL blocks, the open last line."""

from __future__ import annotations

import codecs
import csv
import re
from dataclasses import dataclass

from logger.errors import ImportFault
from logger.readings import RowReject

# A quote that is not closed within so many lines is damage, not a field with line breaks.
_MOST_QUOTED_LINES = 64
_MOST_LINE_BYTES = 100_000
BLANKS = "blanks"
# RFC 4180: a quote opens a field at its very start, a doubled one stands for itself.
_QUOTED = re.compile(r'(^|[,;|\t ])"(?:[^"]|"")*"(?=[,;|\t ]|$)')
_OPENING = re.compile(r'(?:^|[,;|\t ])"')


# How files begin that are no text: gzip, bzip2, xz, zip (so do workbooks), old workbooks, PDF, databases, Parquet, HDF5
# (so does netCDF 4), netCDF of old.
_NO_TEXT = {
    b"\x1f\x8b": "compressed; unpack it",
    b"BZh": "compressed; unpack it",
    b"\xfd7zXZ": "compressed; unpack it",
    b"PK\x03\x04": "packed, or a workbook; unpack it, or save the sheet as CSV",
    b"\xd0\xcf\x11\xe0": "a workbook; save the sheet as CSV",
    b"%PDF": "a PDF; ask for the table as CSV",
    b"SQLite format 3": "a database; take its table out as CSV",
    b"PAR1": "Parquet that no export of ours wrote; turn it into CSV",
    b"\x89HDF\r\n": "HDF5 or netCDF, arrays in binary; take the table out as CSV",
    b"CDF\x01": "netCDF, arrays in binary; take the table out as CSV",
    b"CDF\x02": "netCDF, arrays in binary; take the table out as CSV",
}
_TOLD_BY = 400
_WIDE = ("utf-16", "utf-32")


def why_no_text(head: bytes, encoding: str) -> str | None:
    """What a file is that cannot be read in an encoding, by how it begins; None where nothing speaks against it."""
    marked = head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    if marked or codecs.lookup(encoding).name.startswith(_WIDE):
        return None
    told = next((what for magic, what in _NO_TEXT.items() if head.startswith(magic)), None)
    if told is not None:
        return f"it is {told}"
    even, odd = head[:_TOLD_BY:2], head[1:_TOLD_BY:2]
    for empty, full, name in ((even, odd, "utf-16-be"), (odd, even, "utf-16-le")):
        # A text of mostly ASCII has a NUL in every other byte.
        if len(full) >= 4 and not full.count(0) and 2 * empty.count(0) > len(empty):
            return f'it is UTF-16 without a byte-order mark; give its source encoding = "{name}"'
    return None


def columns_of(row: list[str], separator: str | None, source: str) -> str:
    """What a first line that does not fit is made of, and what to mend in the settings of a source."""
    if len(row) > 1:
        columns = ", ".join(repr(cell) for cell in row)
        return f"its columns are {columns}. Mend field, skip_rows or separator of source {source!r}"
    parting = "tab, semicolon or comma" if separator is None else f"separator {separator!r}"
    return (
        f"no {parting} parts this line into columns: {row[0]!r}. Where the table begins further down, give source "
        f"{source!r} skip_rows; a file of fixed places is no CSV and must be turned into one first"
    )


@dataclass(frozen=True, slots=True)
class Lines:
    """Logical lines: a record each, quoted line breaks inside.

    Attributes
    ----------
    texts : list of str
        Without their line ends, none empty.
    numbers : list of int
        Line of the file at which each begins, from 1.
    whole : str
        All that they were cut from: to look once for what is rare.
    """

    texts: list[str]
    numbers: list[int]
    whole: str = ""


class Records:
    """Bytes in, in any pieces; whole logical lines out.

    Parameters
    ----------
    encoding : str
        As in the settings; a byte-order mark of UTF-8 is dropped whatever it says.
    where : str
        The file, for messages.
    offset, line : int
        Where in the file the first byte lies, and how many lines come before it.
    """

    def __init__(self, encoding: str, where: str, offset: int = 0, line: int = 0) -> None:
        self._where = where
        name = codecs.lookup(encoding).name
        self._encoding = "utf-8" if name == "utf-8-sig" else name
        # Wide encodings have no single byte for a line end, so they are turned into UTF-8 first.
        wide = self._encoding.startswith(_WIDE)
        self._widened = codecs.getincrementaldecoder(encoding)("replace") if wide else None
        self._encoding = "utf-8" if wide else self._encoding
        self.resumable = not wide
        self.rejects: list[RowReject] = []
        self._open = b""  # bytes after the last line that is whole
        self.offset = offset  # of the first byte of `_open`
        self._line = line
        self._after_return = False
        self._flood = False
        self._pieces: list[tuple[int, int, bytes]] = []  # first line, offset, bytes: of lines not yet released

    def offset_of(self, line: int) -> int:
        """Byte at which a line begins that was handed out and not released."""
        first, begin, whole = next(piece for piece in reversed(self._pieces) if piece[0] <= line)
        return begin + sum(map(len, whole.splitlines(keepends=True)[: line - first]))

    def release(self, line: int | None = None) -> None:
        """Forget where the lines before `line` began; None forgets all."""
        keep = [at for at, piece in enumerate(self._pieces) if line is not None and piece[0] <= line]
        self._pieces = self._pieces[keep[-1] :] if keep else []

    @property
    def open_line(self) -> bytes:
        """What follows the last line end."""
        return self._open

    @property
    def line(self) -> int:
        """Lines that have ended."""
        return self._line

    def feed(self, data: bytes) -> Lines:
        """The logical lines that are whole now."""
        if self._widened:
            data = self._widened.decode(data).encode()
        if self.offset == 0 and not self._line and len(self._open) < 3:
            data, self._open = self._open + data, b""
            if len(data) < 3 and codecs.BOM_UTF8.startswith(data):
                self._open = data
                return Lines([], [])
            if data.startswith(codecs.BOM_UTF8):
                self.offset, data = 3, data[3:]
            elif data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
                raise ImportFault(f'{self._where}, line 1: the file is UTF-16; give its source encoding = "utf-16"')
        if self._after_return and data:
            # The other half of a CRLF that fell between two pieces.
            if data.startswith(b"\n"):
                data, self.offset = data[1:], self.offset + 1
            self._after_return = False
        if not data:
            return Lines([], [])
        data = self._open + data
        cut = max(data.rfind(b"\n"), data.rfind(b"\r")) + 1
        whole, self._open = data[:cut], data[cut:]
        self._after_return = whole.endswith(b"\r") and not self._open
        if len(self._open) > _MOST_LINE_BYTES:
            self._cut_endless()
        if not whole:
            return Lines([], [])
        return self._split(whole)

    def finish(self) -> Lines:
        """The open line, taken for whole."""
        rest, self._open = self._open, b""
        return self._split(rest + b"\n", last=True) if rest.strip(b"\0\r\n ") else Lines([], [])

    def _cut_endless(self) -> None:
        """Keep memory flat on a line that does not end; its remainder is dropped when it does."""
        if not self._flood:
            reason = "NUL bytes" if not self._open.strip(b"\0") else "line without end"
            self.rejects.append(RowReject(self._line + 1, self._open, reason))
        self._flood = True
        self.offset += len(self._open)
        self._open = b""

    def _split(self, whole: bytes, last: bool = False) -> Lines:
        begin, count = self.offset, whole.count(b"\n")
        if b"\r" in whole:
            texts_raw = whole.splitlines(keepends=True)
            count = len(texts_raw)
        text = self._decoded(whole)
        if "\r" in text:
            text = text.replace("\r\n", "\n").replace("\r", "\n")
        texts = text.split("\n")
        texts.pop()
        first = self._line + 1
        self._line += count
        self.offset = begin + len(whole)
        self._pieces.append((first, begin, whole))
        numbers = list(range(first, first + len(texts)))
        if self._flood:
            # What is left of the endless line; a NUL block may be followed by a sound row.
            self._flood = False
            if texts and not texts[0].startswith("\0"):
                del texts[0], numbers[0]
        if "\0" in text:
            texts, numbers = self._without_nul(texts, numbers)
        if '"' in text:
            texts, numbers = self._joined(texts, numbers, whole, first, last)
        if not all(texts):
            filled = [(number, line) for number, line in zip(numbers, texts, strict=True) if line]
            numbers, texts = [number for number, _ in filled], [line for _, line in filled]
        return Lines(texts, numbers, text)

    def _decoded(self, whole: bytes) -> str:
        try:
            return whole.decode(self._encoding)
        except UnicodeDecodeError:
            pass
        kept = []
        for number, line in enumerate(whole.splitlines(keepends=True), self._line + 1):
            try:
                kept.append(line.decode(self._encoding).rstrip("\r\n") + "\n")
            except UnicodeDecodeError as fault:
                if number == 1:
                    raise ImportFault(
                        f"{self._where}, line 1: not {self._encoding} ({fault.reason} at byte {fault.start}); "
                        'give its source the right encoding, for instance encoding = "cp1252"'
                    ) from None
                self.rejects.append(RowReject(number, line.rstrip(b"\r\n"), f"not {self._encoding}"))
                kept.append("\n")
        return "".join(kept)

    def _without_nul(self, texts: list[str], numbers: list[int]) -> tuple[list[str], list[int]]:
        """Rows behind a NUL block are kept; rows with one inside or behind are not to be trusted."""
        kept = []
        for number, line in zip(numbers, texts, strict=True):
            if "\0" not in line:
                kept.append(line)
                continue
            rest = line.lstrip("\0")
            self.rejects.append(RowReject(number, line.encode(), "NUL bytes"))
            kept.append("" if "\0" in rest else rest)
        return kept, numbers

    def _joined(
        self, texts: list[str], numbers: list[int], whole: bytes, first: int, last: bool
    ) -> tuple[list[str], list[int]]:
        """Join lines whose quotes stay open; the unfinished last record goes back to the open line."""
        kept: list[str] = []
        at: list[int] = []
        row = 0
        while row < len(texts):
            record, stop = texts[row], row + 1
            while (unfinished := _is_open(record)) and stop < len(texts) and stop - row < _MOST_QUOTED_LINES:
                record += "\n" + texts[stop]
                stop += 1
            if unfinished and stop - row < _MOST_QUOTED_LINES and not last:
                self._give_back(whole, numbers[row] - first)
                break
            if unfinished:
                self.rejects.append(RowReject(numbers[row], texts[row].encode(), "quote never closed"))
                row += 1
                continue
            kept.append(record)
            at.append(numbers[row])
            row = stop
        return kept, at

    def _give_back(self, whole: bytes, lines: int) -> None:
        pieces = whole.splitlines(keepends=True)
        rest = b"".join(pieces[lines:])
        self._open = rest + self._open
        self.offset -= len(rest)
        self._line -= len(pieces) - lines
        self.rejects = [reject for reject in self.rejects if reject.line <= self._line]
        self._after_return = False


def _is_open(text: str) -> bool:
    """Whether a quoted field goes on in the next line. A quote inside a field, as in 5" pipe, opens nothing."""
    return '"' in text and _OPENING.search(_QUOTED.sub(r"\1", text)) is not None


def cells(lines: list[str], separator: str, quoted: bool = True) -> list[list[str]]:
    """The fields of each logical line; `separator` may be ``BLANKS``, `quoted` tells that there may be quotes."""
    delimiter = " " if separator == BLANKS else separator
    if quoted and len(delimiter) == 1 and any('"' in line for line in lines):
        try:
            rows = list(csv.reader(lines, delimiter=delimiter, skipinitialspace=True))
        except csv.Error:
            rows = []
        if len(rows) == len(lines):
            return rows
        # Stray quotes: a line each, so that the damage stays where it is.
        return [_alone(line, delimiter) for line in lines]
    if separator == BLANKS:
        return [line.split() for line in lines]
    return [line.split(separator) for line in lines]


def _alone(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))
    except csv.Error:
        return line.split(delimiter)


def without_blank_end(row: list[str]) -> list[str]:
    """A row without the empty cells at its end."""
    length = len(row)
    while length and not row[length - 1].strip():
        length -= 1
    return row[:length]
