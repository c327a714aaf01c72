"""Owns the bank's day: how low, how high, when full, and the charge that went in and out."""

from __future__ import annotations

import numpy as np

from analysis.energy import of_pieces
from analysis.frames import Pieces, Stretch
from analysis.results import BankDay
from logger.settings import Settings


def of_day(settings: Settings, stretch: Stretch, start: int, stop: int) -> BankDay | None:
    """The bank over one solar day; None without a bank or without a reading of it.

    State of charge is the shunt's own word; autonomy needs more than one day and is not told here.
    """
    if settings.bank is None:
        return None
    name = settings.bank.name
    volts = stretch[f"bank.{name}.voltage"].between(start, stop)
    amps = stretch[f"bank.{name}.current"].between(start, stop)
    charge = stretch[f"bank.{name}.state_of_charge"].between(start, stop)
    if not len(volts.start) and not len(amps.start):
        return None
    lowest = int(np.argmin(volts.value)) if len(volts.start) else None
    return BankDay(
        bank=name,
        at=(start + stop) // 2,
        start=start,
        stop=stop,
        low_v=float(volts.value[lowest]) if lowest is not None else None,
        low_at=int(volts.start[lowest]) if lowest is not None else None,
        high_v=float(volts.value.max()) if len(volts.start) else None,
        full_at=_full_at(settings, stretch, start, stop),
        charge_ah=_charge_ah(amps, start, stop),
        state_of_charge=float(charge.value[-1]) if len(charge.start) else None,
        autonomy_h=None,
    )


def _charge_ah(amps: Pieces, start: int, stop: int) -> float | None:
    """What went in less what went out, over the time that is known: holes are not filled."""
    (total,) = of_pieces(amps.start, amps.length, amps.value, np.array([start, stop])).total
    return float(total) if np.isfinite(total) else None


def _full_at(settings: Settings, stretch: Stretch, start: int, stop: int) -> int | None:
    """When a controller first went over to float: its own sign that the bank is full."""
    times = []
    for controller in settings.controller:
        channel = f"controller.{controller.name}.stage"
        stage = stretch[channel].between(start, stop)
        words = stretch.words.get(channel, {})
        floats = np.isin(stage.value, [code for code, word in words.items() if word == "float"])
        if floats.any():
            times.append(int(stage.start[np.argmax(floats)]))
    return min(times, default=None)
