"""Owns the way of some days from the record to results, without writing: every array, run, box and sensor of each.

Each day comes out the same whichever days are worked out with it.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analysis import (
    bank,
    cover,
    drift,
    enclosure,
    envelope,
    evidence,
    expected,
    geometry,
    instruments,
    irradiance,
    ladder,
    offsets,
    sisters,
    states,
    whereabouts,
    wiring,
    yields,
)
from analysis.drift import Drifts
from analysis.frames import Grid, Stretch, grid_for, hours_below, load
from analysis.results import ArrayDay, Ladder, LightDay, LoopEstimate, StateRun, SunDay
from analysis.results_writing import DayResults
from analysis.sky import ALBEDO, GLOBAL, Sky
from analysis.sun import DAY_MS, Floats, Place, SunPath, Times, Track, day_start
from logger.rollup import MINUTE_MS
from logger.settings import Array, Controller, Settings
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
    """
    starts = [day_start(day, longitude) for day in days]
    track = _track(connection, settings, starts[0], starts[-1] + DAY_MS)
    place = whereabouts.place(settings, track)
    path = SunPath(starts[0] - DAY_MS, starts[-1] + 2 * DAY_MS, place, track=track)
    suns = [
        SunDay(day, start, start + DAY_MS, *path.light_of_day(start), settings_hash)
        for day, start in zip(days, starts, strict=True)
    ]
    wanted = instruments.wanted_channels(settings)
    always = [c for c in wanted if c.startswith(_ALWAYS)]
    stretch = load(connection, starts[0], starts[-1] + DAY_MS, [_window(sun) for sun in suns], wanted, always)
    loops = {sun.start: _loops(settings, stretch, sun) for sun in suns}
    shared = _Shared(stretch, suns, path, place, settings, record, loops, unsettled(connection), drifts or {})
    arrays = {
        a.name: _judge_array(a, shared, _frosts(connection, a.name, suns), covered_before[a.name])
        for a in settings.array
    }
    light_days = shared.light_days()
    results = []
    for i, sun in enumerate(suns):
        boxes = [e for box in settings.enclosure for e in enclosure.of_day(box, settings, stretch, sun.start, sun.stop)]
        results.append(
            DayResults(
                sun=sun,
                array_days=[judged[i].day for judged in arrays.values()],
                ladders=[rungs for judged in arrays.values() if (rungs := judged[i].ladder) is not None],
                expected={name: judged[i].expected for name, judged in arrays.items()},
                states=[run for judged in arrays.values() for run in judged[i].states],
                loops=loops[sun.start],
                enclosures=boxes,
                bank=bank.of_day(settings, stretch, sun.start, sun.stop),
                light=light_days[i],
            )
        )
    return results


def _loops(settings: Settings, stretch: Stretch, sun: SunDay) -> list[LoopEstimate]:
    daylight = (sun.first_light or sun.start, sun.last_light or sun.stop)
    found = [wiring.of_day(c, settings, stretch, sun.start, sun.stop, daylight) for c in settings.cable]
    return [e for e in found if e is not None]


# Read at night too: what happens to the bank and in the box then counts.
_ALWAYS = ("bank.", "enclosure.", "air.cabin.", "irradiance.", "site.position.")
_BEFORE_LIGHT_MS, _AFTER_LIGHT_MS = 30 * MINUTE_MS, 120 * MINUTE_MS


def _window(sun: SunDay) -> tuple[int, int]:
    """The part of a day in which the arrays may say something; a polar night leaves an hour around noon."""
    if sun.first_light is None and sun.last_light is None:
        return sun.start, sun.stop
    first = sun.first_light if sun.first_light is not None else sun.start
    last = sun.last_light if sun.last_light is not None else sun.stop
    return max(first - _BEFORE_LIGHT_MS, sun.start), min(last + _AFTER_LIGHT_MS, sun.stop)


def _track(connection: sqlite3.Connection, settings: Settings, start: int, stop: int) -> Track | None:
    if settings.site.moored != "under way":
        return None
    found = load(connection, start, stop, [(start, stop)], whereabouts.CHANNELS)
    return whereabouts.track(found, start, stop)


def _frosts(connection: sqlite3.Connection, array: str, suns: Sequence[SunDay]) -> Times:
    channels = ("air.outside.temperature", f"array.{array}.module_temperature")
    start, stop = suns[0].start - cover.FROST_MEMORY_MS, suns[-1].stop
    return hours_below(connection, channels, start, stop, cover.FROST_C)


class _Shared:
    """What all arrays of one piece share: the days, the frames, the sky on each grid."""

    def __init__(
        self,
        stretch: Stretch,
        suns: Sequence[SunDay],
        path: SunPath,
        place: Place,
        settings: Settings,
        record: tuple[int, int],
        loops: dict[int, list[LoopEstimate]],
        unsettled: Sequence[tuple[int, int]],
        drifts: Drifts,
    ) -> None:
        self.drifts = drifts
        self.stretch = stretch
        self.suns = suns
        self.path = path
        self.place = place
        self.settings = settings
        self.record = record
        self.loops = loops
        self.unsettled = unsettled
        self._skies: dict[tuple[int, int, int, int], Sky] = {}
        self._nights: dict[str, list[float]] = {}
        self._said: dict[tuple[str, int], instruments.Measured] = {}

    def sky(self, grids: Sequence[Grid]) -> Sky:
        """The sky over those intervals of the grids that have the sun above the horizon."""
        whole = Grid(np.concatenate([g.start for g in grids]), grids[0].step)
        key = (int(whole.start[0]), int(whole.start[-1]), len(whole.start), whole.step)
        if key not in self._skies:
            up = self.path.elevation(whole.middle) > 0.0
            grid = Grid(whole.start[up], whole.step)
            self._skies[key] = self._sky(grid)
        return self._skies[key]

    def ohms(self, array: Array, sun: SunDay) -> ladder.Ohms:
        """Resistance of an array's two runs on a day: as told from operation, else as designed."""
        return ladder.Ohms(self._ohm(f"array.{array.name}", sun), self._ohm(f"controller.{array.controller}", sun))

    def _ohm(self, carries: str, sun: SunDay) -> float:
        cable = next((c for c in self.settings.cable if c.carries == carries), None)
        if cable is None:
            return 0.0
        told = next((e.ohm for e in self.loops[sun.start] if e.cable == cable.name and e.ohm is not None), None)
        return told if told is not None else expected.design_ohm(cable) or 0.0

    def _sky(self, grid: Grid) -> Sky:
        site = self.settings.site
        return Sky(
            grid,
            self.path.at(grid.middle),
            self.place,
            self.stretch,
            ALBEDO[whereabouts.around(self.settings)],
            tuple((pair[0], pair[1]) for pair in site.horizon),
            lambda channel: offsets.on_grid(self._offsets(channel), self.suns, grid),
            lambda channel: drift.on_grid(self.drifts, channel, self.suns, grid),
        )

    def _offsets(self, channel: str) -> list[float]:
        if channel not in self._nights:
            # Lux sensors count photons of the visible alone: their dark is nothing.
            dark = not channel.endswith("illuminance")
            self._nights[channel] = offsets.of_days(channel, self.stretch, self.suns, self.path) if dark else []
        return self._nights[channel]

    def light_days(self) -> list[list[LightDay]]:
        """What each day says of the horizontal light sensor, on the sensor's own intervals.

        Days of one step share one sky, which is that of the arrays where their intervals are the same.
        """
        channel = GLOBAL
        pieces = [self.stretch[channel].between(sun.start, sun.stop) for sun in self.suns]
        grids = [grid_for([mine], sun.start, sun.stop) for mine, sun in zip(pieces, self.suns, strict=True)]
        found: list[list[LightDay]] = []
        for i, sun in enumerate(self.suns):
            said = None
            if len(pieces[i].start):
                sky = self.sky([grid for grid in grids if grid.step == grids[i].step])
                said = envelope.of_day(channel, sun, sky, self._offsets(channel)[i])
            known = self.drifts.get((channel, sun.day), drift.NONE)
            found.append([replace(said, drift=known.gain)] if said else [])
        return found

    def said(self, array: Array, sky: Sky) -> instruments.Measured:
        """What the instruments of an array said, looked up once."""
        key = (array.name, id(sky))
        if key not in self._said:
            said = instruments.measured(array, self.controller(array), self.stretch, sky.grid)
            self._said[key] = _of_known_time(said, sky.grid, self.unsettled)
        return self._said[key]

    def controller(self, array: Array) -> Controller | None:
        return expected.array_controller(self.settings, array)

    def clearness(self, array: Array, sky: Sky, lies: geometry.Attitude) -> Floats:
        """What the other arrays show of the sky: the most of them, because faults only lower it."""
        shown = [
            sisters.clearness(
                other, self.controller(other), self.settings, self.said(other, sky), sky, self.stretch, lies
            )
            for other in self.settings.array
            if other.name != array.name
        ]
        if not shown:
            return np.full(len(sky.grid.start), np.nan)
        stacked = np.stack(shown)
        known = np.isfinite(stacked).any(axis=0)
        return np.where(known, np.nanmax(np.where(np.isfinite(stacked), stacked, -np.inf), axis=0), np.nan)


@dataclass(frozen=True, slots=True)
class _Judged:
    day: ArrayDay
    ladder: Ladder | None
    expected: pd.DataFrame
    states: list[StateRun]


def _judge_array(array: Array, shared: _Shared, frosts: Times, covered: bool) -> list[_Judged]:
    """One array over the days, in groups of days whose intervals are of one length."""
    judged: list[_Judged] = []
    grids = [_grid(array, shared.stretch, sun) for sun in shared.suns]
    begin = 0
    for i in range(1, len(grids) + 1):
        if i == len(grids) or grids[i].step != grids[begin].step:
            sky = shared.sky(grids[begin:i])
            group, covered = _judge_group(array, shared, shared.suns[begin:i], sky, frosts, covered)
            judged += group
            begin = i
    return judged


def _judge_group(
    array: Array, shared: _Shared, suns: Sequence[SunDay], sky: Sky, frosts: Times, covered: bool
) -> tuple[list[_Judged], bool]:
    settings, stretch, grid = shared.settings, shared.stretch, sky.grid
    controller = shared.controller(array)
    lies = geometry.attitude(settings.site.moored, stretch, grid)
    light = irradiance.on_array(array, sky, lies)
    if not np.isfinite(light.plane).all():
        light = irradiance.with_sisters(array, light, shared.clearness(array, sky, lies), sky, lies)
    said = shared.said(array, sky)
    around = instruments.around(settings, stretch, grid)
    could = expected.of_array(array, light, stretch, grid, settings)
    state = states.of_array(
        array, controller, settings.bank, light, sky.sun, said, around, could, grid, frosts, covered
    )
    tell = evidence.teller(controller, light, said, around, could)
    inside = _inside(grid, shared.record)
    minutes = _expected_frame(grid, light, said, could)
    horizontal = sky.measured.ghi
    # The clear sky in the plane tells cloud only where nothing on the horizontal does.
    seen = np.isfinite(horizontal).all()
    clear = sky.clear.ghi, horizontal if seen else irradiance.clear_plane(array, sky, lies)
    judged = []
    for day in suns:
        a, b = np.searchsorted(grid.start, [day.start, day.stop])
        mask = np.zeros(len(grid.start), dtype=bool)
        mask[a:b] = True
        held = yields.runs(array.name, state, mask, grid, day, shared.record, tell)
        judged.append(
            _Judged(
                yields.of_day(array, day, mask, grid, light, said, could, state, held),
                ladder.of_day(
                    array,
                    controller,
                    day,
                    mask,
                    grid,
                    clear,
                    horizontal,
                    light,
                    said,
                    could,
                    state,
                    shared.ohms(array, day),
                ),
                minutes[mask & inside & (state != states.NIGHT)],
                held,
            )
        )
    told = state[inside & ~np.isin(state, (states.NIGHT, states.UNHEARD, states.UNKNOWN))]
    return judged, bool(told[-1] == states.COVERED) if len(told) else covered


def _of_known_time(
    said: instruments.Measured, grid: Grid, unsettled: Sequence[tuple[int, int]]
) -> instruments.Measured:
    """The same without the power where nobody vouches for the clock: there the sun is not where it seems to be."""
    doubtful = np.zeros(len(grid.start), dtype=bool)
    for start, stop in unsettled:
        doubtful |= (grid.start + grid.step > start) & (grid.start < stop)
    return replace(said, power=np.where(doubtful, np.nan, said.power)) if doubtful.any() else said


def _inside(grid: Grid, record: tuple[int, int]) -> yields.Mask:
    return np.asarray((grid.start >= record[0]) & (grid.start < record[1]))


def _expected_frame(
    grid: Grid, light: irradiance.Light, said: instruments.Measured, could: expected.Expected
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "interval_ms": grid.step,
            "measured_w": said.power,
            "expected_w": could.power,
            "low_w": could.low,
            "high_w": could.high,
            "plane_wm2": light.plane,
            "module_c": could.cell,
        },
        index=pd.DatetimeIndex(grid.start.astype("datetime64[ms]"), name="t").tz_localize("UTC"),
    )


def _grid(array: Array, stretch: Stretch, sun: SunDay) -> Grid:
    """As coarse as the coarsest of what must be known of an array: one kind of power, one kind of light."""
    powers = [f"array.{array.name}.{q}" for q in ("voltage", "current", "power")]
    lights = [
        f"irradiance.{array.name}.plane",
        f"irradiance.{array.name}.reference_current",
        "irradiance.horizontal.global",
        "irradiance.horizontal.illuminance",
    ]
    power = [p for c in powers if len((p := stretch[c].between(sun.start, sun.stop)).start)]
    light = [p for c in lights if len((p := stretch[c].between(sun.start, sun.stop)).start)]
    return grid_for([*power, *light[:1]], sun.start, sun.stop)
