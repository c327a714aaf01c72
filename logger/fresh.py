"""Owns what samples come to that stand alone in their stretch of time: summed where they are, in memory.

Of history that falls where the store holds nothing, minutes and hours follow from the rows at hand; asking the database
to read back, sort and group them takes longer than writing them did. `logger.rollup` takes the result in the place of
its own where a minute or an hour lies wholly inside. Standard library only.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from itertools import compress, repeat
from operator import truediv

from logger.rollup import MINUTE_MS
from logger.store import HOUR_MS

Row = tuple[int, int, float, float, float, int]
"""Begin [ms UTC], channel, mean, low, high, samples."""
HourSum = tuple[int, int, float, float, float, int, int, int]
"""The same, then the samples that no earlier hour of the day counted, then the covered time [ms]."""
_Group = tuple[int, int, int]


class Fresh:
    """Samples of some channels, the only ones between their first and their last.

    Parameters
    ----------
    times : sequence of int
        Ascending, none twice [ms UTC].
    columns : mapping of int to sequence of float or None
        Channel to its values; None is a hole.
    length : int or None
        Of the means that they are [ms], a part of an hour on whose multiples they stand where it is more than a
        minute; None for instants.

    Attributes
    ----------
    channels : set of int
    minutes, hours : tuple of int
        Begin of the first and end of the last minute and hour that lie wholly inside [ms UTC].
    """

    def __init__(self, times: Sequence[int], columns: Mapping[int, Sequence[float | None]], length: int | None) -> None:
        stop = times[-1] + (length or 1)
        self.channels = set(columns)
        self.minutes, self.hours = _inside(times[0], stop, MINUTE_MS), _inside(times[0], stop, HOUR_MS)
        self._times, self._columns = times, columns
        self._long = length if length and length > MINUTE_MS else None
        # One sample a minute, on the minute: then the database copies rows as fast as they could be bound.
        self.told_by_minute = self._long is None and any(t % MINUTE_MS for t in times)
        self._rows: dict[int, list[Row]] | None = None
        self._hours: dict[tuple[int, int], list[_Group]] = {}

    def minute_rows(self, start: int, stop: int) -> list[Row]:
        """Rows of the minutes in ``start <= t < stop``, which lies within `minutes`."""
        return [row for rows in self._by_minute().values() for row in _between(rows, start, stop)]

    def hour_sums(self, start: int, stop: int) -> list[HourSum]:
        """What each hour in ``start <= t < stop`` holds, which lies within `hours`."""
        found: list[HourSum] = []
        for channel in sorted(self.channels):
            found += (
                self._of_minutes(channel, start, stop) if self.told_by_minute else self._alone(channel, start, stop)
            )
        return found

    def _by_minute(self) -> dict[int, list[Row]]:
        if self._rows is None:
            shared = list(_groups(self._times, MINUTE_MS))
            self._rows = {}
            for channel in self._columns:
                times, values = self._filled(channel)
                groups = shared if times is self._times else _groups(times, MINUTE_MS)
                self._rows[channel] = [(begin, channel, *_summed(values[a:b]), b - a) for begin, a, b in groups]
        return self._rows

    def _of_minutes(self, channel: int, start: int, stop: int) -> Iterable[HourSum]:
        rows = _between(self._by_minute()[channel], start, stop)
        for begin, a, b in _groups([row[0] for row in rows], HOUR_MS):
            _, _, means, lows, highs, counts = zip(*rows[a:b], strict=True)
            samples, covered = sum(counts), (b - a) * MINUTE_MS
            mean = sum(mean * MINUTE_MS for mean in means) / covered
            yield begin, channel, mean, min(lows), max(highs), samples, samples, covered

    def _alone(self, channel: int, start: int, stop: int) -> Iterable[HourSum]:
        times, values = self._filled(channel)
        a, b = bisect_left(times, start), bisect_left(times, stop)
        values, each = values[a:b], self._long or MINUTE_MS
        groups = self._shared_hours(a, b) if times is self._times else list(_groups(times[a:b], HOUR_MS))
        places = [slice(c, d) for _, c, d in groups]
        held = list(map(values.__getitem__, places))
        counts = list(map(len, held))
        # In the database's own order of rounding: a later look at the same samples changes next to nothing.
        weighed = [value * each for value in values]
        covered = [count * each for count in counts]
        means = map(truediv, map(sum, map(weighed.__getitem__, places)), covered)
        begins = (begin for begin, _, _ in groups)
        return zip(
            begins, repeat(channel), means, map(min, held), map(max, held), counts, counts, covered, strict=False
        )

    def _shared_hours(self, a: int, b: int) -> list[_Group]:
        """Channels without holes share their times: where their hours begin is found out once."""
        if (a, b) not in self._hours:
            self._hours[a, b] = list(_groups(self._times[a:b], HOUR_MS))
        return self._hours[a, b]

    def _filled(self, channel: int) -> tuple[Sequence[int], list[float]]:
        column = self._columns[channel]
        if None not in column:
            return self._times, column  # type: ignore[return-value]
        values = [value for value in column if value is not None]
        return list(compress(self._times, (value is not None for value in column))), values


def _inside(first: int, stop: int, step: int) -> tuple[int, int]:
    return -(-first // step) * step, stop // step * step


def _groups(times: Sequence[int], step: int) -> Iterable[_Group]:
    """Begin of each interval that holds something, and where its times begin and end."""
    at, count = 0, len(times)
    while at < count:
        begin = times[at] // step * step
        end = bisect_left(times, begin + step, at, min(count, at + step))
        yield begin, at, end
        at = end


def _summed(values: Sequence[float]) -> tuple[float, float, float]:
    return sum(values) / len(values), min(values), max(values)


def _between(rows: list[Row], start: int, stop: int) -> list[Row]:
    return rows[bisect_left(rows, (start,)) : bisect_left(rows, (stop,))]
