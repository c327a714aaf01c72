"""Owns the resistance of a run of cable, from ordinary operation: how the volts lost along it grow with current.

Both ends are read by different meters, so the difference of volts holds more than the run's own loss::

    V_far - V_near = a + R * I + R' * I * (t - t0) + g * (V - mean V)

``a`` is an offset of the meters (or a diode), ``g`` the difference of their gains, ``R'`` the drift within the day (a
joint that corrodes). R is free; a, g and R' are held near nothing by what meters and joints are known to do, which
is a linear regression with prior knowledge (Bishop, Pattern Recognition and Machine Learning, 3.3).
"""

from __future__ import annotations

import numpy as np

from analysis.expected import CABLE_C, design_ohm
from analysis.frames import Pieces, Stretch
from analysis.results import LoopEstimate
from analysis.sun import Floats, Times
from logger.settings import Array, Cable, Controller, Settings

# What meters of small craft do, one sigma; common practice, no source.
_OFFSET_V, _GAIN, _CURRENT_GAIN = 0.3, 0.004, 0.01
_DRIFT_PER_DAY = 0.3  # of the resistance's own size, with a floor of 20 mΩ a day
_LEAST_POINTS = 30
# Least spread of current, as a share of the largest that the run is made for, before a slope means anything.
_LEAST_SPREAD = 0.15
_LEAST_CURRENT = 0.2
# Minutes follow one another: as many independent readings as quarter hours, about.
_CORRELATION_MS = 10 * 60_000
NINETY_FIVE = 1.96


def of_day(
    cable: Cable, settings: Settings, stretch: Stretch, start: int, stop: int, daylight: tuple[int, int]
) -> LoopEstimate | None:
    """Resistance of one run over one solar day.

    Parameters
    ----------
    cable : Cable
        Carries an array (module end to controller) or a controller (output to bank).
    settings : Settings
    stretch : Stretch
        Holds both voltages and the current.
    start, stop : int
        The solar day, UTC [ms].
    daylight : tuple of int
        First and last light, UTC [ms].

    Returns
    -------
    LoopEstimate or None
        None where the kit has no volts at both ends. Without enough current the estimate's `ohm` is None.
    """
    kind, name = cable.carries.split(".")
    far, near, amps = _channels(kind, name, settings)
    if far not in stretch or near not in stretch or amps not in stretch:
        return None
    t, step, far_v, near_v, current = _together(*(stretch[c].between(*daylight) for c in (far, near, amps)))
    design = design_ohm(cable, 20.0) or 0.0
    full, volts = _full_load(kind, name, settings, near_v)
    use = current > 0.02 * (full or np.max(current, initial=1.0))
    fit = _fit(t[use], far_v[use], near_v[use], current[use], full, design_ohm(cable, CABLE_C) or 0.0)
    if fit is None:
        middle = (daylight[0] + daylight[1]) // 2
        return LoopEstimate(
            cable.name, middle, start, stop, None, None, None, None, design, None, None, None, int(use.sum())
        )
    at, ohm, sigma, intercept = fit
    loss = float((current[use] ** 2).sum() * ohm * step / 3_600_000)
    drop = 100.0 * full * ohm / volts if full and volts else None
    return LoopEstimate(
        cable=cable.name,
        at=at,
        start=start,
        stop=stop,
        ohm=ohm,
        ohm_low=max(ohm - NINETY_FIVE * sigma, 0.0),
        ohm_high=ohm + NINETY_FIVE * sigma,
        intercept_v=intercept,
        design_ohm=design,
        current_a=full or float(np.max(current)),
        loss_wh=max(loss, 0.0),
        drop_percent=drop,
        n=int(use.sum()),
    )


def _channels(kind: str, name: str, settings: Settings) -> tuple[str, str, str]:
    """The higher volts, the lower volts, the current."""
    if kind == "array":
        return f"array.{name}.module_voltage", f"array.{name}.voltage", f"array.{name}.current"
    bank = settings.bank.name if settings.bank else ""
    return f"controller.{name}.output_voltage", f"bank.{bank}.voltage", f"controller.{name}.output_current"


def _full_load(kind: str, name: str, settings: Settings, near_v: Floats) -> tuple[float | None, float | None]:
    """Current the run is made for [A] and the volts its drop is a share of: Vmp, or the charge voltage."""
    if kind == "array":
        array: Array | None = next((a for a in settings.array if a.name == name), None)
        if array is None or array.module.imp is None or array.module.vmp is None:
            return None, None
        return array.module.imp * array.strings_in_parallel, array.module.vmp * array.modules_in_series
    controller: Controller | None = next((c for c in settings.controller if c.name == name), None)
    limit = controller.output_current_limit if controller else None
    arrays = [a for a in settings.array if a.controller == name]
    volts = float(np.median(near_v)) if len(near_v) else None
    rated = sum(a.rated_w for a in arrays) / volts if volts else None
    return min((x for x in (limit, rated) if x), default=None), volts


def _together(far: Pieces, near: Pieces, amps: Pieces) -> tuple[Times, int, Floats, Floats, Floats]:
    """The moments at which all three were read over the same interval."""
    if np.array_equal(far.start, near.start) and np.array_equal(far.start, amps.start):
        return amps.start, amps.step, far.value, near.value, amps.value
    t = np.intersect1d(np.intersect1d(far.start, near.start, assume_unique=True), amps.start, assume_unique=True)
    columns = [p.value[np.searchsorted(p.start, t)] for p in (far, near, amps)]
    return t, amps.step, columns[0], columns[1], columns[2]


def _fit(
    t: Times, far_v: Floats, near_v: Floats, current: Floats, full: float | None, design: float
) -> tuple[int, float, float, float] | None:
    """Time of the estimate [ms], resistance [Ω], its standard uncertainty, intercept [V]; None if it cannot be told."""
    scale = full or float(np.max(current, initial=0.0))
    spread = float(np.std(current)) if len(t) else 0.0
    enough = len(t) >= _LEAST_POINTS and np.max(current) >= _LEAST_CURRENT * scale
    if not enough or spread < _LEAST_SPREAD * _LEAST_CURRENT * scale:
        return None
    # A slope speaks of the time at which its lever arm was long.
    lean = current - current.mean()
    lever = lean @ lean
    at = float(t[0] + ((t - t[0]) * lean) @ lean / lever)
    days = (t - at) / 86_400_000
    drop = far_v - near_v
    rough = max(float(lean @ drop / lever), design, 0.01)
    columns = np.stack([np.ones_like(current), current, current * days, near_v - near_v.mean()], axis=1)
    prior_sigma = np.array([_OFFSET_V, np.inf, max(_DRIFT_PER_DAY * rough, 0.02), _GAIN])
    precision = np.diag(np.where(np.isfinite(prior_sigma), 1.0 / prior_sigma**2, 0.0))
    weights = np.ones(len(t))
    noise, found, covariance = 0.05, np.zeros(4), np.eye(4)
    step = max(float(np.median(np.diff(t))), 1.0) if len(t) > 1 else 1.0
    thinning = max(_CORRELATION_MS / step, 1.0)
    for _ in range(4):  # reweighted until stray readings no longer pull (Huber)
        weighed = columns.T * (weights / (noise**2 * thinning))
        covariance = np.linalg.inv(weighed @ columns + precision)
        found = covariance @ (weighed @ drop)
        residual = drop - columns @ found
        size = np.abs(residual)
        noise = max(1.4826 * float(np.median(size)), 0.003)
        weights = np.minimum(1.0, 1.5 * noise / np.maximum(size, 1e-9))
    sigma = float(np.hypot(np.sqrt(covariance[1, 1]), _CURRENT_GAIN * found[1]))
    return round(at), float(found[1]), sigma, float(found[0])
