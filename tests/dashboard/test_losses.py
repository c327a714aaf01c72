"""The losses are read from the top: each line in words and watt-hours, none for what took nothing."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from analysis.results import Ladder
from dashboard import losses

DAY = Ladder(
    array="cabin", day=dt.date(2026, 6, 10), start=0, clear_sky_wh=4000.0, cloud_wh=1200.0, orientation_wh=-60.0,
    dim_light_wh=20.0, warmth_wh=200.0, unexplained_wh=90.0, covered_wh=0.0, volts_wh=0.2, limits_wh=640.0,
    cable_wh=15.0, controller_wh=57.0, feed_wh=8.0, bank_wh=1829.8,
)  # fmt: skip


def plain(lines: list[str]) -> list[str]:
    return [line.replace("\u00a0", " ") for line in lines]


def test_each_rung_that_counts_has_its_line() -> None:
    """From the cloudless sky to the bank; what took less than half a watt-hour is left out."""
    assert plain(losses.lines([DAY])) == [
        "4,000 Wh: what a flat array of this size, kept cool, gets of a cloudless sky.",
        "Cloud took 1,200 Wh: cloud and haze between the sun and the array.",
        "Tilt and bearing added 60 Wh: how the modules lie to the sun, and what their glass reflects.",
        "Dim light took 20 Wh: cells use weak light less well.",
        "Warmth took 200 Wh: warm cells give less, cold ones more.",
        "What nothing else explains took 90 Wh: dirt, shade and faults, and what the reckoning misses.",
        "Limits took 640 Wh: bank full, controller at its most, another charger, heat or cold.",
        "The array's cable took 15 Wh: warmed on the way to the controller.",
        "The controller took 57 Wh: turned to heat in the box.",
        "The feed took 8 Wh: warmed on the way from the controller to the bank.",
        "1,830 Wh reached the bank.",
    ]


def test_days_are_summed_and_nothing_is_said_of_none() -> None:
    assert plain(losses.lines([DAY, replace(DAY, bank_wh=170.2)]))[-1] == "2,000 Wh reached the bank."
    assert losses.lines([]) == []
