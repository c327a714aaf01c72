"""Owns the way of some days from the record to results, without writing: every array, run, box and sensor of each.

Each day comes out the same whichever days are worked out with it.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis import (
    bank,
    cover,
    drift,
    enclosure,
    envelope,
    evidence,
    expected,
    geometry,
    hands,
    instruments,
    irradiance,
    ladder,
    lit_hours,
    offsets,
    sisters,
    states,
    storage,
    twins,
    whereabouts,
    wiring,
    witnesses,
    yields,
)
from analysis.drift import Drifts
from analysis.frames import Grid, Stretch, grid_for, hours_below, load
from analysis.results import ArrayDay, Ladder, LightDay, LoopEstimate, StateRun, SunDay
from analysis.results_writing import DayResults, Minutes
from analysis.sky import ALBEDO, Sky
from analysis.sun import DAY_MS, Floats, Place, SunPath, Times, Track, day_start
from analysis.wanted import ALWAYS, grid_of, wanted_channels, window
from analysis.witnesses import Witness
from logger import hands_on
from logger.hands_on import HandsOn
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
    wanted = wanted_channels(settings)
    always = [c for c in wanted if c.startswith(ALWAYS)]
    work = hands_on.between(connection, starts[0], starts[-1] + DAY_MS)
    stretch = load(connection, starts[0], starts[-1] + DAY_MS, [window(sun) for sun in suns], wanted, always)
    stretch = hands.left_out(stretch, work, settings)
    loops = {sun.start: _loops(settings, stretch, sun) for sun in suns}
    shared = _Shared(stretch, suns, path, place, settings, record, loops, unsettled(connection), drifts or {}, work)
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
                twins=twins.of_day([judged[i].side for judged in arrays.values()], sun),
                storage=storage.of_day(settings, stretch, sun, window(sun)),
            )
        )
    return results


def _loops(settings: Settings, stretch: Stretch, sun: SunDay) -> list[LoopEstimate]:
    daylight = (sun.first_light or sun.start, sun.last_light or sun.stop)
    found = [wiring.of_day(c, settings, stretch, sun.start, sun.stop, daylight) for c in settings.cable]
    return [e for e in found if e is not None]


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
        work: Sequence[HandsOn],
    ) -> None:
        self.work = work
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
        self._shown: dict[tuple[str, int], Floats] = {}
        self._greys: dict[int, twins.Grey] = {}

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
            self.path.at,
        )

    def _offsets(self, channel: str) -> list[float]:
        if channel not in self._nights:
            # Lux sensors count photons of the visible alone: their dark is nothing.
            dark = not channel.endswith("illuminance")
            self._nights[channel] = offsets.of_days(channel, self.stretch, self.suns, self.path) if dark else []
        return self._nights[channel]

    def light_days(self) -> list[list[LightDay]]:
        """What each day says of each light sensor."""
        found: list[list[LightDay]] = [[] for _ in self.suns]
        for witness in witnesses.of_settings(self.settings):
            for i, said in enumerate(self._days_of(witness)):
                told = self._by_its_hours(i, witness.channel, said)
                found[i] += [told] if told else []
        return found

    def _days_of(self, witness: Witness) -> list[LightDay | None]:
        """The same of one sensor, on its own intervals.

        Days of one step share one sky, which is that of the arrays where their intervals are the same.
        """
        channel = witness.channel
        pieces = [self.stretch[channel].between(sun.start, sun.stop) for sun in self.suns]
        if not any(len(mine.start) for mine in pieces):
            return [None] * len(pieces)
        offset = self._offsets(channel)
        grids = [grid_for([mine], sun.start, sun.stop) for mine, sun in zip(pieces, self.suns, strict=True)]
        found: list[LightDay | None] = []
        for i, sun in enumerate(self.suns):
            said = None
            if len(pieces[i].start):
                sky = self.sky([grid for grid in grids if grid.step == grids[i].step])
                said = envelope.of_day(witness, sun, sky, offset[i] if offset else 0.0)
            known = self.drifts.get((channel, sun.day), drift.NONE)
            found.append(replace(said, drift=known.gain) if said else None)
        return found

    def _by_its_hours(self, i: int, channel: str, said: LightDay | None) -> LightDay | None:
        """A sensor in a plane tells the clock by when it is lit at all, where the sky cannot tell it."""
        if not channel.endswith(".plane") or (said and said.noon_shift_s is not None):
            return said
        sun = self.suns[i]
        heard = self.stretch[channel].between(sun.start, sun.stop)
        told = lit_hours.of_day(channel, sun, heard, self.path, self._offsets(channel)[i])
        if told is None or said is None:
            return told or said
        return replace(said, noon_shift_s=told.noon_shift_s, noon_sigma_s=told.noon_sigma_s)

    def said(self, array: Array, sky: Sky) -> instruments.Measured:
        """What the instruments of an array said, looked up once."""
        key = (array.name, id(sky))
        if key not in self._said:
            said = instruments.measured(array, self.controller(array), self.stretch, sky.grid)
            doubtful = [*self.unsettled, *self.handled(array)]
            self._said[key] = instruments.of_known_time(said, sky.grid, doubtful)
        return self._said[key]

    def handled(self, array: Array) -> list[tuple[int, int]]:
        """When hands were in an array, or in what it hangs on."""
        return hands.stretches(f"array.{array.name}", self.work, self.settings)

    def controller(self, array: Array) -> Controller | None:
        return expected.array_controller(self.settings, array)

    def clearness(self, array: Array, sky: Sky, lies: geometry.Attitude, frosty: yields.Mask) -> Floats:
        """What the other arrays show of the sky: the most of them, because faults only lower it."""
        return self._most([other for other in self.settings.array if other.name != array.name], sky, lies, frosty)

    def grey(self, sky: Sky, lies: geometry.Attitude) -> twins.Grey | None:
        """Where the sky was overcast; None where there are no two arrays to compare under it."""
        if len(self.settings.array) < 2:
            return None
        if id(sky) not in self._greys:
            dark = not np.isfinite(twins.sensed(sky)).all()
            of_clear = self._most(self.settings.array if dark else [], sky, lies)
            self._greys[id(sky)] = twins.grey(sky, of_clear)
        return self._greys[id(sky)]

    def _most(
        self, arrays: Sequence[Array], sky: Sky, lies: geometry.Attitude, frosty: yields.Mask | None = None
    ) -> Floats:
        """The clearest sky that any of these arrays shows; NaN where none was free."""
        shown = [self._shows(array, sky, lies) for array in arrays]
        if not shown:
            return np.full(len(sky.grid.start), np.nan)
        most = np.asarray(np.fmax.reduce(shown))
        # After a frost a dark sister may lie under snow: she tells nothing of the sky.
        return most if frosty is None else np.where(frosty & (most < cover.COVERED_BELOW), np.nan, most)

    def _shows(self, array: Array, sky: Sky, lies: geometry.Attitude) -> Floats:
        key = (array.name, id(sky))
        if key not in self._shown:
            said = self.said(array, sky)
            self._shown[key] = sisters.clearness(
                array, self.controller(array), self.settings, said, sky, self.stretch, lies
            )
        return self._shown[key]


@dataclass(frozen=True, slots=True)
class _Judged:
    day: ArrayDay
    ladder: Ladder | None
    expected: Minutes
    states: list[StateRun]
    side: twins.Side | None


def _judge_array(array: Array, shared: _Shared, frosts: Times, covered: bool) -> list[_Judged]:
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
    return judged


def _judge_group(
    array: Array, shared: _Shared, suns: Sequence[SunDay], sky: Sky, frosts: Times, covered: bool
) -> tuple[list[_Judged], bool]:
    settings, stretch, grid = shared.settings, shared.stretch, sky.grid
    controller = shared.controller(array)
    lies = geometry.attitude(settings.site.moored, stretch, grid)
    light = irradiance.on_array(array, sky, lies)
    if not np.isfinite(light.plane).all():
        frosty = cover.frost(frosts, grid)
        light = irradiance.with_sisters(array, light, shared.clearness(array, sky, lies, frosty), sky, lies)
    said = shared.said(array, sky)
    around = instruments.around(settings, stretch, grid)
    could = expected.of_array(array, light, stretch, grid, settings)
    state = states.of_array(
        array, controller, settings.bank, light, sky.sun, said, around, could, grid, frosts, covered
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
    clear = sky.clear.ghi, horizontal if seen else irradiance.clear_plane(array, sky, lies)
    overcast = shared.grey(sky, lies)
    side = twins.side(array, sky, overcast, said, could, state) if overcast else None
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
                minutes.where(mask & inside & (state != states.NIGHT)),
                held,
                side,
            )
        )
    told = state[inside & ~np.isin(state, (states.NIGHT, states.UNHEARD, states.UNKNOWN))]
    return judged, bool(told[-1] == states.COVERED) if len(told) else covered


def _inside(grid: Grid, record: tuple[int, int]) -> yields.Mask:
    return np.asarray((grid.start >= record[0]) & (grid.start < record[1]))
