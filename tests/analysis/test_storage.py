"""What goes through the bank on a day, counted as the 1998 edition of IEC 61724 counts a system with storage."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from analysis import storage
from analysis.results import StorageDay
from logger.settings import Settings
from tests.analysis import frames

SUN = frames.sun_day()
WINDOW = (frames.START + 6 * 3_600_000, frames.START + 18 * 3_600_000)
HOUR = np.arange(1440) / 60.0
LIT = (HOUR >= 6) & (HOUR < 18)


def day(amps: Any, *, out: Any = 4.0, settings: Settings | None = None, **more: Any) -> StorageDay | None:
    """A bank of 25 V; by day the array gives 110 W and its controller `out` amps at 25 V."""
    channels = {
        "array__a__power": frames.minutes(np.where(LIT, 110.0, np.nan)),
        "controller__c__output_voltage": frames.minutes(np.where(LIT, 25.0, np.nan)),
        "controller__c__output_current": frames.minutes(np.where(LIT, out, np.nan)),
        "bank__house__voltage": frames.minutes(25.0, count=1440),
        "bank__house__current": frames.minutes(np.broadcast_to(amps, 1440)),
    }
    return storage.of_day(settings or frames.settings(), frames.stretch(**(channels | more)), SUN, WINDOW)


def test_a_day_by_hand() -> None:
    """By day 100 W reach the bus and 50 W go into the bank, so 50 W are used; by night 25 W come out of it."""
    found = day(np.where(LIT, 2.0, -1.0))
    assert found is not None
    assert found.array_wh == pytest.approx(12 * 110.0)
    assert found.to_storage_wh == pytest.approx(12 * 50.0)
    assert found.from_storage_wh == pytest.approx(12 * 25.0)
    assert found.load_wh == pytest.approx(12 * 50.0 + 12 * 25.0)
    assert (found.backup_wh, found.known_min) == (0.0, 1440.0)


def test_a_charger_that_nobody_measures_is_left_out() -> None:
    """From 8:00 to 9:00 an engine puts 500 W in: loads do not give, so that hour says nothing."""
    found = day(np.where((HOUR >= 8) & (HOUR < 9), 20.0, np.where(LIT, 2.0, -1.0)))
    assert found is not None
    assert found.known_min == 1380.0
    assert found.to_storage_wh == pytest.approx(11 * 50.0)


def test_hours_in_which_the_controller_was_not_heard_are_left_out() -> None:
    found = day(np.where(LIT, 2.0, -1.0), out=np.where(HOUR < 12, 4.0, np.nan), array__a__power=frames.minutes(
        np.where(HOUR < 12, np.where(LIT, 110.0, np.nan), np.nan)))  # fmt: skip
    assert found is not None
    assert found.known_min == 1440.0 - 360.0


def test_the_wind_is_a_second_source() -> None:
    """Two amps at the bank's 25 V all night: E_BU, and used by the loads, since the bank gains nothing by them."""
    source = {
        "name": "w", "kind": "csv", "path": "w.csv", "time": {"field": "time", "zone": "UTC"},
        "channel": [{"field": "wind", "channel": "wind.mast.current", "unit": "A"}],
    }  # fmt: skip
    settings = frames.settings(source=[source])
    found = day(np.where(LIT, 2.0, -1.0), settings=settings, wind__mast__current=frames.minutes(2.0, count=1440))
    assert found is not None
    assert found.backup_wh == pytest.approx(24 * 50.0)
    assert found.load_wh == pytest.approx(12 * 50.0 + 12 * 25.0 + 24 * 50.0)


def test_without_a_bank_or_its_current_nothing_is_counted() -> None:
    assert day(np.nan) is None
    assert day(1.0, settings=frames.settings(bank=None)) is None
