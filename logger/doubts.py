"""Owns the doubts about single readings: values that jump faster than the thing can, values that never move."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from logger.plan import ChannelPlan
from logger.readings import Record

JUMP, STUCK = "jump", "stuck"
_LEAST_S = 1.0
"""Readings closer than this are judged as if so far apart: the last digit of a sensor flickers."""


@dataclass(slots=True)
class _Last:
    """What one channel said.

    Attributes
    ----------
    t, value
        The last reading that was believed.
    doubted : float or None
        The one after it, if that jumped.
    since : int
        From when on the value has been the same.
    same : float
        Which value.
    """

    t: int
    value: float
    since: int
    same: float
    doubted: float | None = None


class Doubts:
    """Of one source. Readings in doubt are marked and kept; the limits are the vocabulary's.

    Parameters
    ----------
    channels : mapping of str to ChannelPlan
        By name.
    """

    def __init__(self, channels: Mapping[str, ChannelPlan]) -> None:
        self._channels = {name: c for name, c in channels.items() if c.most_per_s is not None or c.stuck_after_s}
        self._last: dict[str, _Last] = {}

    def of(self, t: int, record: Record) -> list[tuple[int, str, str]]:
        """Time, channel and reason of each reading of a record that is in doubt.

        Parameters
        ----------
        t : int
            When it was heard [ms].
        record : Record
        """
        found: list[tuple[int, str, str]] = []
        if not self._channels:
            return found
        for name, value in record.readings:
            plan = self._channels.get(name)
            if plan is None or isinstance(value, str):
                continue
            last = self._last.get(name)
            if last is None:
                self._last[name] = _Last(t, value, t, value)
                continue
            if self._is_stuck(plan, last, t, value):
                found.append((t, name, STUCK))
            if self._jumps(plan, last, t, value):
                found.append((t, name, JUMP))
        return found

    @staticmethod
    def _is_stuck(plan: ChannelPlan, last: _Last, t: int, value: float) -> bool:
        """Zero is what a thing at rest says, and no sign of a sensor that hangs."""
        if value != last.same:
            last.since, last.same = t, value
        return bool(plan.stuck_after_s and value != 0 and t - last.since > plan.stuck_after_s * 1000)

    @staticmethod
    def _jumps(plan: ChannelPlan, last: _Last, t: int, value: float) -> bool:
        """A spike goes back to where it came from; what stays where it jumped to is believed from then on."""
        if plan.most_per_s is None:
            return False
        most = plan.most_per_s * max((t - last.t) / 1000, _LEAST_S)
        stays = last.doubted is not None and abs(value - last.doubted) <= plan.most_per_s * _LEAST_S
        if abs(value - last.value) > most and not stays:
            last.doubted = value
            return True
        last.t, last.value, last.doubted = t, value, None
        return False
