"""Owns what all arrays of some days share: the frames, the sky on each grid, and what each array shows of that sky."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis import (
    cover,
    drift,
    envelope,
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
    twins,
    whereabouts,
    witnesses,
    yields,
)
from analysis.drift import Drifts
from analysis.file_clocks import Doubts
from analysis.frames import Grid, Stretch, grid_for
from analysis.results import (
    LoopEstimate,
    SunDay,
)
from analysis.results_light import LightDay
from analysis.sky import ALBEDO, Sky
from analysis.sun import Floats, Place, SunPath
from analysis.witnesses import Witness
from logger.hands_on import HandsOn
from logger.settings import Array, Controller, Settings


class Shared:
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
        doubts: Doubts,
    ) -> None:
        self.work = work
        self.doubts = doubts
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
        self._owns: dict[tuple[str, int], sisters.Own] = {}

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
            if offset and np.isnan(offset[i]):
                said = lit_hours.never_dark(channel, sun, offsets.in_the_dark(channel, self.stretch, sun, self.path))
            elif len(pieces[i].start):
                sky = self.sky([grid for grid in grids if grid.step == grids[i].step])
                said = envelope.of_day(witness, sun, sky, offset[i] if offset else 0.0)
            known = self.drifts.get((channel, sun.day), drift.NONE)
            found.append(replace(said, drift=known.gain) if said else None)
        return found

    def _by_its_hours(self, i: int, channel: str, said: LightDay | None) -> LightDay | None:
        """A sensor in a plane tells the clock by when it is lit at all, where the sky cannot tell it."""
        if not channel.endswith(".plane") or (said and (said.noon_shift_s is not None or said.is_never_dark)):
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
            doubtful = [*self.unsettled, *self.handled(array), *self._beside_the_sun(array)]
            self._said[key] = instruments.of_known_time(said, sky.grid, doubtful)
        return self._said[key]

    def handled(self, array: Array) -> list[tuple[int, int]]:
        """When hands were in an array, or in what it hangs on."""
        return hands.stretches(f"array.{array.name}", self.work, self.settings)

    def _beside_the_sun(self, array: Array) -> list[tuple[int, int]]:
        """Days on which the clock of its file is not believed; light in its plane has the same clock, and judges."""
        doubts = self.doubts.get(array.name, ())
        own = [self.stretch[f"irradiance.{array.name}.{q}"] for q in ("plane", "reference_current")]
        return [
            (sun.start, sun.stop)
            for sun in self.suns
            if any(start <= sun.start < stop for start, stop in doubts)
            and not any(len(light.between(sun.start, sun.stop).start) for light in own)
        ]

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
            own = self.own(array, sky, lies)
            self._shown[key] = sisters.clearness(array, self.controller(array), said, own, sky, lies)
        return self._shown[key]

    def own(self, array: Array, sky: Sky, lies: geometry.Attitude) -> sisters.Own:
        """What the power of an array tells of itself."""
        key = (array.name, id(sky))
        if key not in self._owns:
            overcast = states.OVERCAST * irradiance.usable_under(sky.clear, array, sky, lies)
            power = self.said(array, sky).power
            self._owns[key] = sisters.own(array, power, self.settings, self.stretch, sky.grid, overcast)
        return self._owns[key]
