"""Owns the way of some days from the record to results, without writing: every array, run, box and sensor of each.

Each day comes out the same whichever days are worked out with it.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analysis import (
    alike,
    bank,
    beyond_clear,
    boxes,
    cover,
    enclosure,
    evidence,
    expected,
    facing,
    file_clocks,
    geometry,
    hands,
    instruments,
    irradiance,
    ladder,
    lightless,
    lit_hours,
    lumens,
    second_light,
    spikes,
    standing,
    states,
    storage,
    twins,
    whereabouts,
    wiring,
    yields,
    zeros,
)
from analysis.drift import Drifts
from analysis.file_clocks import Doubts
from analysis.frames import Grid, Stretch, load
from analysis.results import (
    WEATHER,
    ArrayDay,
    Ladder,
    LoopEstimate,
    StateRun,
    SunDay,
)
from analysis.results_light import FacingDay
from analysis.results_writing import DayResults, Minutes
from analysis.shared import Shared
from analysis.sky import Sky
from analysis.sun import DAY_MS, SunPath, Times, Track, day_start
from analysis.wanted import ALWAYS, grid_of, wanted_channels, window
from logger import hands_on
from logger.settings import Array, Settings
from logger.settling import unsettled


def judge_days(
    connection: sqlite3.Connection,
    settings: Settings,
    settings_hash: str,
    days: Sequence[dt.date],
    covered_before: dict[str, bool],
    record: tuple[int, int],
    longitude: float,
    drifts: Drifts | None = None,
    doubts: Doubts | None = None,
) -> list[DayResults]:
    """Results of solar days that follow one another, under one set of parts.

    Parameters
    ----------
    connection : sqlite3.Connection
        May be read-only.
    settings : Settings
        With the parts in force.
    settings_hash : str
        Digest of what judges, kept with each day.
    days : sequence of datetime.date
    covered_before : dict
        Array to whether it was covered when the first day began.
    record : tuple of int
        Where the record begins and ends, UTC [ms]: what lies outside has no state.
    longitude : float
        Of the solar days.
    drifts : mapping, optional
        Drift of each light sensor on each day, to be taken out.
    doubts : mapping, optional
        Of each array the stretches, UTC [ms], in which the clock of its file is not believed.
    """
    starts = [day_start(day, longitude) for day in days]
    track = _track(connection, settings, starts[0], starts[-1] + DAY_MS)
    place = whereabouts.place(settings, track)
    path = SunPath(starts[0] - DAY_MS, starts[-1] + 2 * DAY_MS, place, track=track)
    suns = [
        SunDay(day, start, start + DAY_MS, *path.light_of_day(start), settings_hash)
        for day, start in zip(days, starts, strict=True)
    ]
    wanted = wanted_channels(settings)
    always = [c for c in wanted if c.startswith(ALWAYS)]
    work = hands_on.between(connection, starts[0], starts[-1] + DAY_MS)
    stretch = load(connection, starts[0], starts[-1] + DAY_MS, [window(sun) for sun in suns], wanted, always)
    stretch = spikes.left_out(standing.left_out(hands.left_out(stretch, work, settings), starts), settings)
    weather = lit_hours.of_weather(stretch, suns, path)
    stretch = lit_hours.believed(stretch, weather)
    loops = {sun.start: _loops(settings, stretch, sun) for sun in suns}
    shared = Shared(
        stretch, suns, path, place, settings, record, loops, unsettled(connection), drifts or {}, work, doubts or {}
    )
    arrays = {
        a.name: _judge_array(a, shared, _frosts(connection, a.name, suns), covered_before[a.name])
        for a in settings.array
    }
    light_days = shared.light_days()
    pairs, unheard = alike.pairs(settings), boxes.unheard(settings)
    results = []
    for i, sun in enumerate(suns):
        warm = [e for box in settings.enclosure for e in enclosure.of_day(box, settings, stretch, sun.start, sun.stop)]
        results.append(
            DayResults(
                sun=sun,
                array_days=[judged[i].day for judged in arrays.values()],
                ladders=[rungs for judged in arrays.values() if (rungs := judged[i].ladder) is not None],
                expected={name: judged[i].expected for name, judged in arrays.items()},
                states=[run for judged in arrays.values() for run in judged[i].states],
                loops=loops[sun.start],
                enclosures=warm,
                bank=bank.of_day(settings, stretch, sun.start, sun.stop),
                light=light_days[i] + [day for day in weather[i : i + 1] if day is not None],
                twins=twins.of_day([judged[i].side for judged in arrays.values()], sun),
                alike=alike.of_day([judged[i].half for judged in arrays.values()], pairs, sun),
                facings=[told for judged in arrays.values() if (told := judged[i].facing) is not None],
                warmth={b.name: steps for b in unheard if (steps := boxes.of_day(b, settings, stretch, sun))},
                storage=storage.of_day(settings, stretch, sun, window(sun)),
            )
        )
    return results


def _loops(settings: Settings, stretch: Stretch, sun: SunDay) -> list[LoopEstimate]:
    found = [wiring.of_day(c, settings, stretch, sun.start, sun.stop, sun.daylight) for c in settings.cable]
    return [e for e in found if e is not None]


def _track(connection: sqlite3.Connection, settings: Settings, start: int, stop: int) -> Track | None:
    if settings.site.moored != "under way":
        return None
    found = load(connection, start, stop, [(start, stop)], whereabouts.CHANNELS)
    return whereabouts.track(found, start, stop)


def _frosts(connection: sqlite3.Connection, array: str, suns: Sequence[SunDay]) -> Times:
    channels = ("air.outside.temperature", f"array.{array}.module_temperature")
    start, stop = suns[0].start - cover.FROST_MEMORY_MS, suns[-1].stop
    return cover.hours_below(connection, channels, start, stop, cover.FROST_C)


@dataclass(frozen=True, slots=True)
class _Judged:
    day: ArrayDay
    ladder: Ladder | None
    expected: Minutes
    states: list[StateRun]
    side: twins.Side | None
    half: alike.Half | None
    facing: FacingDay | None


def _judge_array(array: Array, shared: Shared, frosts: Times, covered: bool) -> list[_Judged]:
    """One array over the days, in groups of days whose intervals are of one length."""
    judged: list[_Judged] = []
    grids = [grid_of(array, shared.stretch, sun) for sun in shared.suns]
    begin = 0
    for i in range(1, len(grids) + 1):
        if i == len(grids) or grids[i].step != grids[begin].step:
            sky = shared.sky(grids[begin:i])
            group, covered = _judge_group(array, shared, shared.suns[begin:i], sky, frosts, covered)
            judged += group
            begin = i
    if file_clocks.source_of_power(shared.settings, array.name) is None:
        return judged
    return [
        replace(one, day=_with_ends(one.day, array, shared, sun)) for one, sun in zip(judged, shared.suns, strict=True)
    ]


def _with_ends(day: ArrayDay, array: Array, shared: Shared, sun: SunDay) -> ArrayDay:
    """A day that says when its power began and ended, where a file tells it, and whether that was believed."""
    ends = lit_hours.ends_of_power(array, sun, shared.stretch, window(sun))
    told: dict[str, Any] = {} if ends is None else {file_clocks.ENDS: [round(end, 1) for end in ends]}
    if any(start <= sun.start < stop for start, stop in shared.doubts.get(array.name, ())):
        told[file_clocks.DOUBTED] = 1.0
    return replace(day, features=day.features | told) if told else day


def _judge_group(
    array: Array, shared: Shared, suns: Sequence[SunDay], sky: Sky, frosts: Times, covered: bool
) -> tuple[list[_Judged], bool]:
    settings, stretch, grid = shared.settings, shared.stretch, sky.grid
    controller = shared.controller(array)
    lies = geometry.attitude(settings.site.moored, stretch, grid)
    light = lumens.doubted(array, irradiance.on_array(array, sky, lies), sky, lies)
    sisterly = None
    if not (light.evidence < WEATHER).all():
        clearness = shared.clearness(array, sky, lies, cover.frost(frosts, grid))
        light = irradiance.with_sisters(array, light, clearness, sky, lies)
        sisterly = irradiance.confirmed(light, clearness, sky)
    said = shared.said(array, sky)
    around = instruments.around(settings, stretch, grid)
    could = expected.of_array(array, light, stretch, grid, settings)
    if not np.isfinite(light.plane).all():
        own = shared.own(array, sky, lies)
        could = expected.with_volts(could, own.best_volts, own.open_volts)
    state = states.of_array(
        array, controller, settings.bank, light, sky.sun, said, around, could, grid, frosts, covered, sky.clear.ghi
    )
    handled = grid.touched(shared.handled(array))
    state[handled & (state != states.NIGHT)] = states.UNKNOWN
    tell = evidence.teller(controller, light, said, around, could, handled)
    inside = _inside(grid, shared.record)
    minutes = Minutes.of(
        grid,
        measured_w=said.power,
        expected_w=could.power,
        low_w=could.low,
        high_w=could.high,
        plane_wm2=light.plane,
        module_c=could.cell,
    )
    horizontal = sky.measured.ghi
    # The clear sky in the plane tells cloud only where nothing on the horizontal does.
    seen = np.isfinite(horizontal).all()
    clear = sky.clear.ghi, horizontal if seen else irradiance.usable_under(sky.clear, array, sky, lies)
    overcast = shared.grey(sky, lies)
    frosty = cover.frost(frosts, grid)
    second = second_light.of_array(array, sky, lies, light)
    dead = lightless.sensors(array.name, sky.as_read, sky.sun.elevation, grid)
    side = None
    if overcast:
        zero = np.full(len(grid.start), np.nan)
        zero[overcast.mask] = zeros.at(grid.start[overcast.mask], array, settings, stretch, suns, shared.path)
        side = twins.side(array, sky, overcast, said, could, state, zero)
    is_half = any(array.name in pair for pair in alike.pairs(settings))
    half = alike.half(array, grid.step, grid.start, light, said, state) if is_half else None
    seen_in_plane = facing.shown(array, settings, sky, light, said, could, state)
    judged = []
    for day in suns:
        a, b = np.searchsorted(grid.start, [day.start, day.stop])
        mask = np.zeros(len(grid.start), dtype=bool)
        mask[a:b] = True
        held = yields.runs(array.name, state, mask, grid, day, shared.record, tell)
        rungs = ladder.of_day(
            array, controller, day, mask, grid, clear, horizontal, light, said, could, state, shared.ohms(array, day)
        )
        lasting = yields.of_day(array, day, mask, grid, light, said, could, state, held, sisterly, second)
        # A vessel that swings has a clear sky for each heading.
        if settings.site.moored == "fixed" and (
            beyond := beyond_clear.of_day(mask, grid, day.noon, array.rated_w, light, said, could)
        ):
            lasting = replace(lasting, features=lasting.features | beyond)
        judged.append(
            _Judged(
                lightless.with_dead(cover.with_frost(lasting, stretch, frosty[a:b]), dead, grid),
                rungs,
                minutes.where(mask & inside & (state != states.NIGHT)),
                held,
                side,
                half,
                facing.of_day(array, day, sky, seen_in_plane) if seen_in_plane else None,
            )
        )  # fmt: skip
    told = state[inside & ~np.isin(state, (states.NIGHT, states.UNHEARD, states.UNKNOWN))]
    return judged, bool(told[-1] == states.COVERED) if len(told) else covered


def _inside(grid: Grid, record: tuple[int, int]) -> yields.Mask:
    return np.asarray((grid.start >= record[0]) & (grid.start < record[1]))
