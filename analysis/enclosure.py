"""Owns the heat balance of a box: kelvins per watt lost in it, with the fan running and stopped, and its peak.

A box of heat capacity C loses heat through a conductance G to the air it breathes::

    P + q = C * dT/dt + G * (T - T_air)

with P the controllers' losses, q whatever else warms it. Fitted over ten-minute steps of one day, G apart for each way
the fan was told. R = 1/G is what tells a fan from a hot day: it knows neither the sun nor the season. Where the box
does not warm itself by about 5 K no R is given (IEC/TR 60890 speaks of the steady state alone; that a first-order model
can be fitted to such data, and where not, was tried on measured inverters).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from analysis.frames import Grid, Stretch
from analysis.results import EnclosureEstimate
from analysis.sun import DAY_MS, Floats
from logger.settings import Controller, Enclosure, Settings

FALLBACK_LIMIT_C = 40.0
LEAST_RISE_K = 2.5
_STEP_MS = 10 * 60_000
_LEAST_STEPS = 12
_NEAR_MS = 30 * 60_000
# Heat from what no channel tells, in watts, and how well it is known; common practice, no source.
_OTHER_W, _OTHER_SIGMA_W = 2.0, 3.0
# Share by which the loss at a stated efficiency may be off, for the whole day alike.
_LOSS_GAIN = 0.05
_CORRELATED_STEPS = 3.0
NINETY_FIVE = 1.96


@dataclass(frozen=True, slots=True)
class _Steps:
    loss: Floats
    rise: Floats
    slope: Floats  # K/h
    running: Floats  # share of the step for which the fan was told to run; NaN where nobody knows


def limit_of(enclosure: Enclosure) -> float:
    """The lowest "full output up to" figure of what the box holds [°C]; a fallback where the settings say nothing."""
    return enclosure.temperature_limit if enclosure.temperature_limit is not None else FALLBACK_LIMIT_C


def of_day(
    enclosure: Enclosure, settings: Settings, stretch: Stretch, start: int, stop: int
) -> list[EnclosureEstimate]:
    """Peak and K/W of one box over one solar day; empty where no thermometer hangs in it."""
    inside = stretch[f"enclosure.{enclosure.name}.temperature"].between(start, stop)
    if len(inside.start) == 0:
        return []
    limit = limit_of(enclosure)
    peak = int(np.argmax(inside.value))
    over = float(inside.length[inside.value > limit].sum()) / 60_000
    steps = _steps(enclosure, settings, stretch, start)
    told = _told(steps.running)
    fits = {fan: _fit(steps, share) for fan, share in told.items()} if len(told) == 1 else _fit_both(steps, told)
    middle = (start + stop) // 2
    found = []
    for fan in told:
        fit = fits[fan]
        estimate = _as_resistance(*fit) if fit else (None, None, None)
        found.append(
            EnclosureEstimate(
                enclosure=enclosure.name,
                at=middle,
                start=start,
                stop=stop,
                fan=fan,
                thermal_resistance_k_per_w=estimate[0],
                low_k_per_w=estimate[1],
                high_k_per_w=estimate[2],
                peak_c=float(inside.value[peak]),
                peak_at=int(inside.start[peak]),
                limit_c=limit,
                over_limit_min=over,
                loss_w=float(np.nanmean(steps.loss)) if len(steps.loss) else None,
                n=len(steps.loss),
                peak_air_c=_air_at(enclosure, stretch, int(inside.start[peak])),
            )
        )
    return found


def _air_at(enclosure: Enclosure, stretch: Stretch, moment: int) -> float | None:
    """The air that the box breathed within half an hour of a moment [°C]."""
    if enclosure.surroundings is None:
        return None
    near = stretch[f"{enclosure.surroundings}.temperature"].between(moment - _NEAR_MS, moment + _NEAR_MS)
    return float(near.value.mean()) if len(near.value) else None


def _steps(enclosure: Enclosure, settings: Settings, stretch: Stretch, start: int) -> _Steps:
    grid = Grid(np.arange(start, start + DAY_MS, _STEP_MS, dtype=np.int64), _STEP_MS)
    edges = Grid(grid.start - _STEP_MS // 2, _STEP_MS)
    # The day alone, so that it comes out the same whichever days are read with it.
    temperature = stretch[f"enclosure.{enclosure.name}.temperature"].between(start, start + DAY_MS)
    inside = temperature.on(grid)
    # The slope over a step is the difference between the means around its two ends.
    around = np.append(temperature.on(edges), temperature.on(Grid(edges.start[-1:] + _STEP_MS, _STEP_MS)))
    slope = np.diff(around) / grid.hours
    air = stretch[f"{enclosure.surroundings}.temperature"].on(grid) if enclosure.surroundings else np.full(144, np.nan)
    loss = _loss(enclosure, settings, stretch, grid)
    running = np.full(len(grid.start), np.nan)
    for fan in settings.fan:
        if fan.enclosure == enclosure.name:
            running = stretch[f"fan.{fan.name}.running"].on(grid)
    known = np.isfinite(inside) & np.isfinite(air) & np.isfinite(loss) & np.isfinite(slope)
    return _Steps(loss[known], (inside - air)[known], slope[known], running[known])


def _loss(enclosure: Enclosure, settings: Settings, stretch: Stretch, grid: Grid) -> Floats:
    """Watts that the controllers in the box turn into heat: input times what the stated efficiency leaves.

    Output measured against input would be the difference of two large numbers from four meters.
    """
    total = np.zeros(len(grid.start))
    any_known = False
    for controller, watts in _inputs(enclosure, settings, stretch, grid):
        total = total + np.maximum(watts, 0.0) * (1.0 - controller.efficiency)
        any_known = True
    return total if any_known else np.full(len(grid.start), np.nan)


def measured_loss(enclosure: Enclosure, settings: Settings, stretch: Stretch, grid: Grid) -> Floats:
    """The same, but input less output where a controller's output has a power meter of its own [W].

    Over days the scatter of two meters counts for little; how a loss grows with the load is then seen as it is.
    """
    total, lost = np.zeros(len(grid.start)), False
    for controller in (c for c in settings.controller if c.enclosure == enclosure.name):
        inputs = [watts for c, watts in _inputs(enclosure, settings, stretch, grid) if c.name == controller.name]
        if not inputs:
            continue
        into, lost = np.sum(inputs, axis=0), True
        by_paper = np.maximum(into, 0.0) * (1.0 - controller.efficiency)
        output = f"controller.{controller.name}.output_power"
        total = total + (into - stretch[output].on(grid) if output in stretch else by_paper)
    return total if lost else np.full(len(grid.start), np.nan)


def _inputs(
    enclosure: Enclosure, settings: Settings, stretch: Stretch, grid: Grid
) -> Iterator[tuple[Controller, Floats]]:
    """What goes into each controller in the box, array by array [W]."""
    for controller in (c for c in settings.controller if c.enclosure == enclosure.name):
        for array in (a for a in settings.array if a.controller == controller.name):
            watts = stretch[f"array.{array.name}.voltage"].on(grid) * stretch[f"array.{array.name}.current"].on(grid)
            yield controller, np.where(np.isfinite(watts), watts, stretch[f"array.{array.name}.power"].on(grid))


def _told(running: Floats) -> dict[str, Floats]:
    known = np.isfinite(running)
    if not known.any():
        return {"untold": np.ones(len(running))}
    share = np.where(known, running, 0.0)
    told = {"running": share, "stopped": np.where(known, 1.0 - share, 0.0)}
    return {fan: s for fan, s in told.items() if s.sum() >= _LEAST_STEPS / 2} or {"running": share}


def _fit(steps: _Steps, share: Floats) -> tuple[float, float] | None:
    found = _solve(steps, [share])
    return found[0] if found else None


def _fit_both(steps: _Steps, told: dict[str, Floats]) -> dict[str, tuple[float, float] | None]:
    found = _solve(steps, list(told.values()))
    return {fan: found[i] if found else None for i, fan in enumerate(told)}


def _solve(steps: _Steps, shares: list[Floats]) -> list[tuple[float, float] | None] | None:
    """Conductance [W/K] and its standard uncertainty for each way of the fan; None where nothing can be told."""
    if len(steps.loss) < _LEAST_STEPS or np.ptp(steps.rise) < LEAST_RISE_K:
        return None
    columns = np.stack([steps.slope, -np.ones(len(steps.loss)), *(steps.rise * s for s in shares)], axis=1)
    precision = np.zeros((columns.shape[1], columns.shape[1]))
    precision[1, 1] = 1.0 / _OTHER_SIGMA_W**2
    wanted = np.zeros(columns.shape[1])
    wanted[1] = _OTHER_W / _OTHER_SIGMA_W**2
    noise, found, covariance = 1.0, wanted, precision
    for _ in range(3):
        information = columns.T @ columns / (noise**2 * _CORRELATED_STEPS)
        covariance = np.linalg.inv(information + precision + 1e-9 * np.eye(len(wanted)))
        found = covariance @ (columns.T @ steps.loss / (noise**2 * _CORRELATED_STEPS) + wanted)
        noise = max(float(np.std(steps.loss - columns @ found)), 0.1)
    result: list[tuple[float, float] | None] = []
    for i, share in enumerate(shares):
        conductance = float(found[2 + i])
        sigma = float(np.hypot(np.sqrt(covariance[2 + i, 2 + i]), _LOSS_GAIN * conductance))
        warmed = np.max(steps.rise * (share > 0.5), initial=0.0)
        believable = conductance > 0 and warmed >= LEAST_RISE_K
        result.append((conductance, sigma) if believable else None)
    return result


def _as_resistance(conductance: float, sigma: float) -> tuple[float, float, float | None]:
    high = conductance - NINETY_FIVE * sigma
    return 1.0 / conductance, 1.0 / (conductance + NINETY_FIVE * sigma), 1.0 / high if high > 0 else None
