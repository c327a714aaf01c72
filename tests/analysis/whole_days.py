"""Owns the judging of made-up frames by the whole analysis, without a store: from channels to ladders and twins."""

from __future__ import annotations

import datetime as dt

import numpy as np

from analysis import twins, whereabouts
from analysis.frames import Stretch
from analysis.judging import _judge_array, _Judged
from analysis.results import SunDay, TwinDay
from analysis.shared import Shared
from analysis.sun import DAY_MS, Place, SunPath, Times
from logger.settings import Settings


def suns(stretch: Stretch, path: SunPath) -> list[SunDay]:
    """The stretch's days at longitude 0."""
    return [
        SunDay(dt.datetime.fromtimestamp(start / 1000, dt.UTC).date(), start, start + DAY_MS,
               *path.light_of_day(start), "")
        for start in range(stretch.start, stretch.stop, DAY_MS)
    ]  # fmt: skip


def judged(stretch: Stretch, settings: Settings, frosts: Times | None = None) -> dict[str, list[_Judged]]:
    """Every array over every day of the stretch, which begins at a midnight of longitude 0; `frosts` as the record's
    hours tell them. She is where her channels, a passage or the berth put her."""
    frosts = np.empty(0, np.int64) if frosts is None else frosts
    track = whereabouts.track(stretch, stretch.start, stretch.stop) if whereabouts.CHANNELS[0] in stretch else None
    place = whereabouts.place(settings, track)
    path = SunPath(stretch.start - DAY_MS, stretch.stop + DAY_MS, place, track=track)
    days = suns(stretch, path)
    no_loops = {sun.start: [] for sun in days}  # type: ignore[var-annotated]
    shared = Shared(stretch, days, path, place, settings, (stretch.start, stretch.stop), no_loops, [], {}, (), {})
    return {a.name: _judge_array(a, shared, frosts, False) for a in settings.array}


def twin_days(stretch: Stretch, settings: Settings) -> list[TwinDay]:
    """Every pair of arrays over every day's grey light."""
    arrays = judged(stretch, settings)
    days = suns(stretch, SunPath(stretch.start, stretch.stop, Place(settings.site.latitude, 0.0, 0.0)))
    return [
        found
        for i, sun in enumerate(days)
        for found in twins.of_day([of_array[i].side for of_array in arrays.values()], sun)
    ]
