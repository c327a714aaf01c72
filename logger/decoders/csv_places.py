"""Owns which column of a table holds what: where the time stands, in one column or in several, and each channel."""

from __future__ import annotations

from collections.abc import Sequence

from logger.decoders.csv_dates import Stamp
from logger.errors import ImportFault
from logger.plan import Field, SourcePlan, TimePlan

Row = Sequence[str]


class Places:
    """The columns that a source reads, and where they stand in the rows of a file.

    Parameters
    ----------
    plan : SourcePlan
    time : TimePlan
        Its own.
    where : str
        The file, for messages.
    """

    def __init__(self, plan: SourcePlan, time: TimePlan, where: str) -> None:
        self._source, self._where = plan.name, where
        self._time = _many(time.field) if time.field is not None else ()
        self._two = (time.date, time.clock)
        self._channels = [_many(channel.field) for channel in plan.channels]
        stamp = self._time or tuple(field for field in self._two if field is not None)
        self._fields = [*stamp, *(field for fields in self._channels for field in fields)]
        self.names = {field for field in self._fields if isinstance(field, str)}
        self.highest = max((field for field in self._fields if isinstance(field, int)), default=1)
        self.of: dict[int | str, int] = {}

    def lay(self, header: Sequence[str]) -> None:
        """Find each column by the header, or by its position from 1.

        Raises
        ------
        ImportFault
            A header that is read stands twice.
        """
        for field in self._fields:
            if isinstance(field, str) and header.count(field) > 1:
                raise ImportFault(
                    f"{self._where}: the header {field!r} stands {header.count(field)} times; "
                    f"give its position instead, for instance field = {header.index(field) + 1}"
                )
            self.of[field] = field - 1 if isinstance(field, int) else header.index(field)

    @property
    def width(self) -> int:
        """How many cells a row must have."""
        return max(self.of.values()) + 1

    def channel(self, at: int) -> list[int]:
        """Where the columns of one channel stand."""
        return [self.of[field] for field in self._channels[at]]

    @property
    def channels(self) -> set[int]:
        """Where the columns of all channels stand."""
        return {self.of[field] for fields in self._channels for field in fields}

    def stamp(self, row: Row) -> Stamp:
        """The time of a row, as written."""
        (stamp,) = self.stamps([row])
        return stamp

    def stamps(self, rows: Sequence[Row]) -> Sequence[Stamp]:
        """The times of some rows, as written."""
        places = [self.of[field] for field in self._time or self._two if field is not None]
        if len(places) == 1:
            (place,) = places
            return [row[place] for row in rows]
        if not self._time:
            date, clock = places
            return [(row[date], row[clock]) for row in rows]
        return [_put_together([row[place].strip() for place in places]) for row in rows]


def _put_together(cells: Sequence[str]) -> Stamp:
    """Year, month, day, and as far as they are there hour, minute and second, as a date and a clock."""
    year, month, day, *clock = cells
    hour, *rest = clock or ["0"]
    return f"{year}-{month:0>2}-{day:0>2}", ":".join([hour, *(f"{cell:0>2}" for cell in rest or ["0"])])


def _many(field: Field) -> tuple[int | str, ...]:
    return field if isinstance(field, tuple) else (field,)
