"""Owns the meaning of a history file: which column is what, and its rows as blocks of columns. No clock, no file."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Sequence
from typing import Any

from logger.decoders.csv_columns import OUT_OF_RANGE, Column, Values, mean
from logger.decoders.csv_dates import joined
from logger.decoders.csv_places import Places
from logger.decoders.csv_proposals import advice
from logger.decoders.csv_records import BLANKS, Lines, Records, cells, columns_of, without_blank_end
from logger.decoders.csv_stamps import Stamps, take_out_unbelieved
from logger.errors import ImportFault
from logger.plan import SourcePlan
from logger.readings import Block, RowReject
from logger.zones import zone

# Rows that are read ahead to find a day after the twelfth, before the order of day and month is given up on.
_MOST_UNSETTLED = 20_000
_MOST_UNREAD = 2_000
_SEPARATORS = ("\t", ";", ",", BLANKS)


class CsvTable:
    """Decoder of one history file: bytes in, in any pieces; blocks out.

    Parameters
    ----------
    plan : SourcePlan
        Of kind ``csv``.
    where : str
        The file, for messages.
    state : str, optional
        What `state` returned earlier: goes on in the middle of a file, at the byte `consumed` of that moment.

    Raises
    ------
    ImportFault
        From `feed` and `finish`: the file as a whole cannot be read as the mapping says.
    """

    def __init__(self, plan: SourcePlan, where: str = "the file", state: str | None = None) -> None:
        if plan.time is None:
            raise ImportFault(f"source {plan.name!r}: has no time, so it is no history")
        self._plan, self._time, self._where = plan, plan.time, where
        kept: dict[str, Any] = json.loads(state) if state else {}
        self._records = Records(plan.encoding, where, kept.get("offset", 0), kept.get("line", 0))
        self._stamps = Stamps(plan.time, kept.get("order"))
        if "rows" in kept:
            before, step, descending, second = kept["rows"]
            self._stamps.state = (before, step, descending, second)
        self._columns = tuple(Column(plan, channel) for channel in plan.channels)
        self._separator: str | None = kept.get("separator")
        self._header: list[str] | None = kept.get("header")
        self._after_header: bool = kept.get("after_header", False)
        self._earlier: list[tuple[int, list[str] | None, int]] = []  # line, and the layout of the rows before it
        self._width: int = kept.get("width", 0)
        self._places = Places(plan, plan.time, where)
        self.unread: list[str] = []  # the first stamps that were not understood
        self._cells: list[list[str]] = []  # rows that wait, and their lines
        self._lines: list[int] = []
        self._plain = True
        self._last_t: int | None = None
        self.rows = 0
        self.held_back = b""
        if self._separator is not None:
            self._places.lay(self._header or [])

    @property
    def consumed(self) -> int:
        """Bytes of the file that are wholly dealt with by the blocks handed out so far."""
        return self._records.offset_of(self._lines[0]) if self._lines else self._records.offset

    @property
    def state(self) -> str:
        """What is known of the file, for going on at `consumed` later."""
        header, width = self._header, self._width
        for until, earlier_header, earlier_width in reversed(self._earlier):
            if self._lines and self._lines[0] < until:
                header, width = earlier_header, earlier_width
        return json.dumps(
            {
                "offset": self.consumed,
                "line": self._lines[0] - 1 if self._lines else self._records.line,
                "order": self._stamps.reader.order,
                "rows": self._stamps.state,
                "separator": self._separator,
                "header": header,
                "width": width,
                "after_header": self._after_header and not self._lines,
            },
            ensure_ascii=False,
        )

    @property
    def columns(self) -> int:
        """How many columns the first line has; 0 while none was seen."""
        return self._width

    @property
    def resumable(self) -> bool:
        """Whether `state` and `consumed` can be used: the columns are known, and bytes can be counted."""
        return self._records.resumable and self._separator is not None

    @property
    def doubt(self) -> ImportFault | None:
        """What keeps the rows read so far waiting: the order of day and month is not known."""
        if not self._cells or self._stamps.reader.settles(self._places.stamps(self._cells[:20])):
            return None
        if self._stamps.reader.settles(self._places.stamps(self._cells)):
            return None
        stamps = list(map(joined, self._places.stamps(self._cells)))
        return ImportFault(
            f"{self._where}, line {self._lines[0]}: {stamps[0]!r} may be day-first or month-first, and neither a day "
            f"after the twelfth nor a midnight tells; give source {self._plan.name!r} a time format"
            + advice(self._time, stamps)
        )

    def feed(self, data: bytes) -> Block:
        """The rows that these bytes complete."""
        return self._take(self._records.feed(data))

    def finish(self) -> Block:
        """The rows that remain when the file is known to end here.

        A last line without a line end may be half written. It is taken where every cell that is needed is closed
        by a separator or a quote; else it is held back, and `held_back` holds it.
        """
        rest = self._records.open_line
        lines = self._records.finish()
        if lines.texts and not self._closed(lines.texts[0], rest):
            self.held_back = rest
            lines = Lines([], [])
        block = self._take(lines, last=True)
        if self._separator is None:
            raise ImportFault(f"{self._where}: holds no row; nothing to bring in")
        return block

    def _closed(self, text: str, raw: bytes) -> bool:
        if self._separator is None:
            return False
        (row,) = cells([text], self._separator)
        if not row or len(row) < self._width:
            return False
        return self._places.width < len(row) or raw.endswith(b'"')

    # -- what stands where --------------------------------------------------------------------------------

    def _begin(self, text: str) -> bool:
        """Find the separator and lay the columns by the first line; whether that line is a header."""
        plan = self._plan
        given = BLANKS if plan.separator == " " else plan.separator
        splits = {sep: [cell.strip() for cell in cells([text], sep)[0]] for sep in ([given] if given else _SEPARATORS)}
        names, last = self._places.names, self._places.highest
        for separator, row in splits.items():  # noqa: B007
            if names <= set(row) and len(row) >= last and (len(row) > 1 or len(splits) == 1):
                break
        else:
            best = max(splits, key=lambda sep: (len(names & set(splits[sep])), sep != BLANKS, len(splits[sep])))
            raise self._does_not_fit(splits[best], last)
        self._separator, self._width = separator, len(row)
        self._places.lay(row)
        if not names and not self._is_words(row):
            return False
        self._header, self._after_header = row, True
        return True

    def _does_not_fit(self, row: list[str], last: int) -> ImportFault:
        line = self._plan.skip_rows + 1
        missing = [f"{name!r}" for name in sorted(self._places.names - set(row))]
        what = f"has no column {', '.join(missing)}" if missing else f"has {len(row)} columns, none at position {last}"
        why = columns_of(row, self._plan.separator, self._plan.name)
        return ImportFault(f"{self._where}, line {line}: {what}; {why}")

    def _is_words(self, row: list[str]) -> bool:
        """Whether a row is a header or a row of units: no time, and no number where one is read."""
        if len(row) < self._places.width or self._stamps.reader.readable(self._places.stamp(row)):
            return False
        return not any(
            value is not None
            for at, (column, channel) in enumerate(zip(self._columns, self._plan.channels, strict=True))
            if not channel.is_text
            for place in self._places.channel(at)
            for value in column.numbers([row[place]])[0]
        )

    # -- lines -> rows ------------------------------------------------------------------------------------

    def _take(self, lines: Lines, last: bool = False) -> Block:
        rejects, self._records.rejects = self._records.rejects, []
        texts, numbers = lines.texts, lines.numbers
        skip = sum(number <= self._plan.skip_rows for number in numbers[: self._plan.skip_rows])
        texts, numbers = texts[skip:], numbers[skip:]
        if self._separator is None and texts and self._begin(texts[0]):
            texts, numbers = texts[1:], numbers[1:]
        if texts:
            self._gather(Lines(texts, numbers, lines.whole), rejects)
        block = Block([], tuple([] for _ in self._columns), {}, tuple(rejects))
        if self._cells:
            doubt = self.doubt
            if doubt is None:
                block = self._block(rejects, last)
            elif last or len(self._cells) > _MOST_UNSETTLED:
                raise doubt
        self._earlier = [layout for layout in self._earlier if self._lines and self._lines[0] < layout[0]]
        self._records.release(self._lines[0] if self._lines else None)
        return block

    def _gather(self, lines: Lines, rejects: list[RowReject]) -> None:
        """Add whole rows to those that wait; a header that stands again in the middle is obeyed, not stored."""
        rows = cells(lines.texts, self._separator or ",", quoted='"' in lines.whole)
        self._plain = "_" not in lines.whole and (self._plain or not self._cells)
        begin = 0
        for at in self._headers(lines, rows):
            self._add(rows[begin:at], lines.numbers[begin:at], rejects)
            self._lay_again([cell.strip() for cell in rows[at]], lines.numbers[at])
            begin = at + 1
        self._add(rows[begin:], lines.numbers[begin:], rejects)

    def _headers(self, lines: Lines, rows: list[list[str]]) -> list[int]:
        if self._header is None:
            return []
        # Looking for one long name in all the text is cheap; the rest is looked at where it is found.
        names = self._places.names
        telling = max(names or self._header, key=len)
        if telling not in lines.whole:
            return []
        return [
            at
            for at, text in enumerate(lines.texts)
            if telling in text
            and (
                (names and names <= {cell.strip() for cell in rows[at]})
                or [cell.strip() for cell in rows[at]] == self._header
            )
        ]

    def _lay_again(self, header: list[str], line: int) -> None:
        self._after_header = True
        if header == self._header:
            return
        old = dict(self._places.of)
        self._earlier.append((line, self._header, self._width))
        self._header, self._width = header, len(header)
        self._places.lay(header)
        moved = []
        for row in self._cells:
            laid = [""] * max(self._width, self._places.width)
            for field, place in self._places.of.items():
                laid[place] = row[old[field]]
            moved.append(laid)
        self._cells = moved

    def _add(self, rows: list[list[str]], numbers: list[int], rejects: list[RowReject]) -> None:
        if rows and self._after_header:
            self._after_header = False
            if self._is_words(rows[0]):  # the row of units
                rows, numbers = rows[1:], numbers[1:]
        self.rows += len(rows)
        if set(map(len, rows)) - {self._width}:
            rows, numbers = self._of_right_length(rows, numbers, rejects)
        self._cells += rows
        self._lines += numbers

    def _of_right_length(
        self, rows: list[list[str]], numbers: list[int], rejects: list[RowReject]
    ) -> tuple[list[list[str]], list[int]]:
        """Rows as long as the header; a separator too many or too few at the end is no damage."""
        needed = self._places.width
        blank_end = len(self._header or []) - len(without_blank_end(self._header or []))
        kept, at = [], []
        for row, number in zip(rows, numbers, strict=True):
            if not any(cell.strip() for cell in row):
                self.rows -= 1  # separators alone
                continue
            short = len(row) < max(self._width - blank_end, needed)
            if short or len(without_blank_end(row)) > self._width:
                reason = "record too short" if short else "record too long"
                rejects.append(RowReject(number, self._raw(row), reason, self._last_t))
                continue
            kept.append(row)
            at.append(number)
        return kept, at

    def _raw(self, row: list[str]) -> bytes:
        return (" " if self._separator == BLANKS else self._separator or ",").join(row).encode()

    # -- rows -> block ------------------------------------------------------------------------------------

    def _block(self, rejects: list[RowReject], last: bool) -> Block:
        resolved = self._stamps.resolve(self._places.stamps(self._cells), last)
        rows, numbers = self._cells[: resolved.done], self._lines[: resolved.done]
        self._cells, self._lines = self._cells[resolved.done :], self._lines[resolved.done :]
        times, time_marks = self._starts(resolved.times), resolved.marks
        unbelieved = take_out_unbelieved(times, resolved.faults)
        if resolved.faults:
            for at, reason in resolved.faults.items():
                if not any(cell.strip() for cell in rows[at]):
                    self.rows -= 1  # separators alone
                    continue
                if len(self.unread) < _MOST_UNREAD and at not in unbelieved:
                    self.unread.append(joined(self._places.stamp(rows[at])))
                before = next((t for t in times[at::-1] if t is not None), self._last_t)
                rejects.append(RowReject(numbers[at], self._raw(rows[at]), reason, before))
            sound = [at for at, t in enumerate(times) if t is not None]
            place = {at: new for new, at in enumerate(sound)}
            time_marks = {place[at]: why for at, why in time_marks.items()}
            rows, numbers = [rows[at] for at in sound], [numbers[at] for at in sound]
            times = [times[at] for at in sound]
        known = [t for t in times if t is not None]
        self._last_t = known[-1] if known else self._last_t
        by_place: dict[int, Sequence[str]] = {place: [row[place] for row in rows] for place in self._places.channels}
        marks: dict[tuple[int, int], tuple[str, ...]] = {}
        columns = []
        for at in range(len(self._columns)):
            values, bad, odd = self._values(at, by_place)
            for row in bad:
                rejects.append(RowReject(numbers[row], self._raw(rows[row]), self._columns[at].reason, known[row]))
            for row in odd:
                marks[row, at] = (OUT_OF_RANGE,)
            for row, why in time_marks.items():
                if values[row] is not None:
                    marks[row, at] = (*marks.get((row, at), ()), why)
            columns.append(values)
        return Block(known, tuple(columns), marks, tuple(rejects))

    def _values(
        self, at: int, by_place: dict[int, Sequence[str]]
    ) -> tuple[list[float | str | None], list[int], list[int]]:
        """Values of one channel; rows with a cell that cannot be read; rows out of the plausible range."""
        channel, column = self._plan.channels[at], self._columns[at]
        places = self._places.channel(at)
        if channel.is_text:
            words, bad = column.words(by_place[places[0]])
            return list(words), bad, []
        parts: list[Values] = []
        faults: set[int] = set()
        for place in places:
            values, bad = column.numbers(by_place[place], self._plain)
            parts.append(values)
            faults.update(bad)
        values, odd = column.converted(parts[0] if len(parts) == 1 else mean(parts))
        return list(values), sorted(faults), odd

    def _starts(self, stamps: list[int | None]) -> list[int | None]:
        """From what the stamp marks to the start of the interval."""
        time = self._time
        if time.label != "end" or not time.interval_ms:
            return stamps
        back = time.interval_ms
        starts = [None if t is None else t - back for t in stamps]
        if time.year is not None:
            # The last interval of a typical year may end at 1 January 00:00 of the year after, or of its own.
            begin = self._year_begin(time.year)
            length = self._year_begin(time.year + 1) - begin
            starts = [None if t is None else t + length if t < begin else t for t in starts]
        return starts

    def _year_begin(self, year: int) -> int:
        moment = dt.datetime(year, 1, 1, tzinfo=zone(self._time.zone))
        return round(moment.timestamp() * 1000)
