"""Owns the signs that a device was restarted or updated: a counter that fell, another layout, another version."""

from __future__ import annotations

from collections.abc import Collection

from logger.earlier import Earlier
from logger.readings import Record

KIND = "restarted or updated"
GAP_MS = 120_000
"""Silence after which a fallen counter or another layout tells of a restart; common practice, no source."""
DAY_MS = 86_400_000
_MIDNIGHT_MS = 9_000_000
"""How far a zone's midnight, summer time included, may lie from that of the sun; common practice, no source."""
_LAYOUT_AFTER = 5
_FALL = 0.02


class Restarts:
    """Of one source.

    Parameters
    ----------
    channels : collection of str
        What it sends.
    longitude : float
        Where midnight is [°].
    earlier : Earlier
        What it said in earlier sessions.
    last : int or None
        When that was, on the line of this session [ms]; None where that cannot be known.
    """

    def __init__(
        self, channels: Collection[str], longitude: float, earlier: Earlier | None = None, last: int | None = None
    ) -> None:
        self._telling = {name for name in channels if name.endswith((".version", ".day_energy"))}
        self._east_ms = round(longitude / 360 * DAY_MS)
        earlier = earlier or Earlier()
        self._last_t = last
        self._gap: tuple[int, int] | None = None
        self._counters = dict(earlier.counters)
        self._versions = dict(earlier.words)
        self._layouts: set[frozenset[str]] = set(earlier.layouts)
        self._new_layouts: list[frozenset[str]] = []
        # Settings that were changed meanwhile may be why its messages are not understood.
        self._mapped_alike = earlier.same_settings or last is None
        self._unsure = False
        self._strange_since: int | None = None

    def heard(self, t: int, record: Record, known: bool) -> str | None:
        """What a record shows, in a sentence; None for nothing.

        Parameters
        ----------
        t : int
            When it was heard [ms].
        record : Record
        known : bool
            Whether the time is right, for counters fall at midnight.
        """
        if self._last_t is not None and t - self._last_t >= GAP_MS:
            self._gap, self._unsure = (self._last_t, t), True
            self._new_layouts = []
        self._last_t, self._strange_since, self._mapped_alike = t, None, True
        signs = [
            *(
                sign
                for name, value in record.readings
                if name in self._telling and (sign := self._sign(name, value, known))
            ),
            *self._layout(frozenset(name for name, _ in record.readings)),
        ]
        return "; ".join(signs) or None

    def strange(self, t: int) -> None:
        """Something came that is no reading."""
        if self._strange_since is None:
            self._strange_since = t

    def layout_lost(self) -> str | None:
        """What it means that for a while nothing was a reading: after a gap it may speak otherwise now."""
        if not self._mapped_alike or self._last_t is None or self._strange_since is None:
            return None
        if self._strange_since - self._last_t < GAP_MS:
            return None
        return f"after {(self._strange_since - self._last_t) / 1000:.0f} s of silence its messages have another layout"

    def _sign(self, name: str, value: float | str, known: bool) -> str | None:
        if isinstance(value, str):
            before, self._versions[name] = self._versions.get(name), value
            return f"{name} is {value}, was {before}" if before not in (None, value) else None
        last, self._counters[name] = self._counters.get(name), value
        fell = last is not None and value < last - max(_FALL * last, 1)
        gap, self._gap = self._gap, None
        if not (fell and gap and known) or self._holds_midnight(*gap):
            return None
        return f"{name} fell from {last:g} to {value:g} Wh after {(gap[1] - gap[0]) / 1000:.0f} s of silence"

    def _holds_midnight(self, start: int, stop: int) -> bool:
        first, last = (t + self._east_ms for t in (start - _MIDNIGHT_MS, stop + _MIDNIGHT_MS))
        return first // DAY_MS != last // DAY_MS

    def _layout(self, names: frozenset[str]) -> list[str]:
        """Told once the first few messages after a gap have none of the sets of fields that they had before it."""
        if not self._unsure or not self._layouts or names in self._layouts:
            self._layouts.add(names)
            self._unsure = False
            return []
        self._new_layouts.append(names)
        if len(self._new_layouts) < _LAYOUT_AFTER:
            return []
        self._layouts, self._unsure = set(self._new_layouts), False
        return ["its messages hold other fields than before the silence"]
