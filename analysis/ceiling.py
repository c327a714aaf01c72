"""Owns the warmth of a box over some days by the heat lost in it: linear, or under the ceiling of a thermostat's fan.

With the loss P in it, a base T_b (a constant, or the air it breathes and some kelvins), and a step of dt::

    T[k] = min(T_set, a T[k-1] + (1 - a) (T_b[k] + R P[k])),    a = exp(-dt / tau)

which is the exact solution of ``dT/dt = (T_b + R P - T) / tau`` over a step of steady loss for warmth read at the ends
of the steps. Of warmth that is the mean of its step, the exact solution takes a part of the loss of the step before
too; which of the two a record holds shows in which of them fits. The model runs freely from the first reading of each
unbroken piece: a model that is set right by each reading fits anything.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from analysis.sun import Floats, Times

# Under this rise by its own loss nothing is told: on a measured box R moved by a half with the days it was fitted to.
LEAST_RISE_K = 5.0
# Steps to be heard, and the share of the warmth's variance to be explained; common practice, no source.
LEAST_STEPS = 48
LEAST_R2 = 0.8
# A piece shorter than this says little after its start [steps].
_LEAST_PIECE = 6
# A ceiling: so much better than without (sum of squares), so far under what the box would reach, held for so long, and
# so flat: the warmth of made-up boxes whose fan can hold them follows by 0.15 at most, that of boxes without a fan in
# air that nobody measures by 0.36 and more. Common practice, no source.
_BETTER, _CUT_K, _HELD_MIN, _FLAT = 1.2, 5.0, 60.0, 0.25
_BELOW_K, _TOP_K = 1.5, 6.0
# Minutes; a box that takes longer than a day to warm is no box.
_MOST_TAU_MIN = 1440.0
_CORRELATED_STEPS = 3.0
NINETY_FIVE = 1.96
# Beyond this power of e a block of the running minimum would leave the range of numbers.
_MOST_EXPONENT = 400.0
# The share of the time in which a box is cooler than its ceiling, to set out from.
_NEAR_CEILING = 0.97
# A fit that moves by less than this share is found.
_ENOUGH = 1e-6


@dataclass(frozen=True, slots=True)
class Steps:
    """A box step by step, NaN where unknown.

    Attributes
    ----------
    start : ndarray of int
        UTC [ms], ascending.
    step : int
        Length of a step [ms].
    warmth : ndarray
        In the box [°C].
    loss : ndarray
        Heat lost in it [W].
    air : ndarray or None
        That it breathes [°C]; None where nobody measures it.
    """

    start: Times
    step: int
    warmth: Floats
    loss: Floats
    air: Floats | None = None

    @property
    def known(self) -> npt.NDArray[np.bool_]:
        known = np.isfinite(self.warmth) & np.isfinite(self.loss)
        return known if self.air is None else known & np.isfinite(self.air)

    def pieces(self) -> list[slice]:
        """The unbroken pieces."""
        known = self.known
        apart = np.diff(self.start) > self.step * 1.5
        edge = np.concatenate([[True], (known[1:] != known[:-1]) | apart]) if len(known) else np.empty(0, bool)
        begin = np.flatnonzero(edge)
        end = np.append(begin[1:], len(known))
        return [slice(int(a), int(b)) for a, b in zip(begin, end, strict=True) if known[a] and b - a >= _LEAST_PIECE]


@dataclass(frozen=True, slots=True)
class Model:
    """What a box is like.

    Attributes
    ----------
    base_c : float
        Its warmth without loss, over the air where that is measured [°C or K].
    k_per_w : float
    tau_min : float
    ceiling_c : float or None
    means : bool
        Whether the warmth is the mean of its step, not the reading at its end.
    """

    base_c: float
    k_per_w: float
    tau_min: float
    ceiling_c: float | None = None
    means: bool = False


@dataclass(frozen=True, slots=True)
class Fit:
    """A model with how well it describes what was measured.

    Attributes
    ----------
    model : Model
    r2, rmse_k : float
    ceiling_sigma_k : float or None
        Standard uncertainty of the ceiling.
    held_min : float
        Minutes in which the model is held at its ceiling.
    n : int
    """

    model: Model
    r2: float
    rmse_k: float
    ceiling_sigma_k: float | None
    held_min: float
    n: int


def simulated(model: Model, steps: Steps) -> Floats:
    """The warmth by a model, run from the first reading of each unbroken piece; NaN outside them [°C]."""
    found = np.full(len(steps.start), np.nan)
    course = _Course.of(steps)
    found[course.at] = course.run(model)
    return found


def score(model: Model, steps: Steps) -> tuple[float, float, int]:
    """R², root mean square error [K] and number of steps of a model on what was measured."""
    said = simulated(model, steps)
    at = np.isfinite(said)
    missed = said[at] - steps.warmth[at]
    spread = float(((steps.warmth[at] - steps.warmth[at].mean()) ** 2).sum())
    square = float((missed**2).sum())
    return 1.0 - square / spread if spread > 0 else 0.0, float(np.sqrt(square / max(at.sum(), 1))), int(at.sum())


def linear(steps: Steps) -> Fit | None:
    """The box without a ceiling, R of either sign; None where too little was heard."""
    found = _fitted(steps, means=False)
    return _better([found, _fitted(steps, means=True, begin=found.model)]) if found else None


def with_ceiling(steps: Steps, start: Fit | None = None) -> Fit | None:
    """The box under a ceiling, whether or not that is the better model; None where too little was heard.

    Parameters
    ----------
    start : Fit, optional
        Of `linear`, from which to set out.
    """
    begin = start or linear(steps)
    if begin is None:
        return None
    under = replace(begin.model, ceiling_c=float(np.quantile(_Course.of(steps).warmth, _NEAR_CEILING)))
    found = _fitted(steps, under.means, under)
    # Without the ceiling neither reading of the warmth may have fitted for the right reason.
    return _better([found, _fitted(steps, not under.means, found.model if found else under)])


def _better(fits: Iterable[Fit | None]) -> Fit | None:
    return min((fit for fit in fits if fit is not None), key=lambda fit: fit.rmse_k, default=None)


def best(steps: Steps) -> Fit | None:
    """The box as it is best described: under a ceiling where that is beyond doubt, else without; None where too little
    was heard."""
    plain = linear(steps)
    if plain is None or not is_told(plain, steps) or _follows(plain, steps):
        return plain
    held = with_ceiling(steps, plain)
    return held if held is not None and _is_held(held, plain, steps) else plain


def is_told(fit: Fit, steps: Steps) -> bool:
    """Whether a fit tells kelvins per watt: a rise worth the name, in the right sense, and described."""
    return fit.model.k_per_w > 0 and rise(fit, steps) >= LEAST_RISE_K and fit.r2 >= LEAST_R2


def rise(fit: Fit, steps: Steps) -> float:
    """By how much the most loss would warm the box at last [K]."""
    return fit.model.k_per_w * max((float(steps.loss[p].max()) for p in steps.pieces()), default=0.0)


def _follows(plain: Fit, steps: Steps) -> bool:
    """Whether the warmth, where it is highest, nowhere stays so far below a box without a ceiling that there can be
    one."""
    below = simulated(plain.model, steps) - steps.warmth
    top = np.isfinite(below) & (steps.warmth > np.nanmax(steps.warmth) - _TOP_K)
    return not top.any() or float(below[top].max()) < _BELOW_K


def _is_held(held: Fit, plain: Fit, steps: Steps) -> bool:
    model = held.model
    if model.ceiling_c is None or not is_told(held, steps) or held.held_min < _HELD_MIN:
        return False
    free = simulated(replace(model, ceiling_c=None), steps)
    cut = float(np.nanmax(free)) - model.ceiling_c
    if cut < _CUT_K or plain.rmse_k**2 < _BETTER * held.rmse_k**2:
        return False
    at = simulated(model, steps) >= model.ceiling_c - 1e-9
    return _slope(free[at], steps.warmth[at]) < _FLAT


def _slope(free: Floats, warmth: Floats) -> float:
    """By how much the warmth follows what it would reach without a ceiling: nothing where it is held, and nearly as
    much where warm air that nobody measures, or a fan that is too weak, bends it over."""
    apart = free - free.mean()
    spread = float((apart**2).sum())
    return float((apart * warmth).sum()) / spread if spread > 0 else 0.0


# -- the way from a model to warmth ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Course:
    """The unbroken pieces of a box one after the other: where they stand in its steps, and where each begins."""

    at: npt.NDArray[np.intp]
    begins: tuple[int, ...]
    warmth: Floats
    loss: Floats
    air: Floats | float
    minutes: float

    @classmethod
    def of(cls, steps: Steps) -> _Course:
        pieces = steps.pieces()
        at = np.concatenate([np.arange(p.start, p.stop) for p in pieces]) if pieces else np.empty(0, np.intp)
        begins = np.cumsum([0, *(p.stop - p.start for p in pieces)]).tolist()
        air = 0.0 if steps.air is None else steps.air[at]
        return cls(at, tuple(begins), steps.warmth[at], steps.loss[at], air, steps.step / 60_000)

    def run(self, model: Model) -> Floats:
        """The warmth by a model [°C]."""
        exponent = self.minutes / model.tau_min
        keep = float(np.exp(-exponent))
        # The first step is given. Each later one is reached under its own loss; as a mean, under the one before too.
        bound = model.base_c + self.air + model.k_per_w * self.loss
        mean = (1.0 - keep) / exponent if model.means else keep
        towards = (1.0 - mean) * bound
        towards[1:] += (mean - keep) * bound[:-1]
        ceiling = np.inf if model.ceiling_c is None else model.ceiling_c
        found = self.warmth.copy()
        for a, b in pairwise(self.begins):
            found[a + 1 : b] = _under(towards[a + 1 : b], float(self.warmth[a]), ceiling, exponent)
        return found


def _under(towards: Floats, first: float, ceiling: float, exponent: float) -> Floats:
    """``T[k] = min(ceiling, a T[k-1] + towards[k])`` with ``a = exp(-exponent)``, for all k at once.

    Divided by a^k each step adds a known amount and is cut at a known height, and what is left of such a walk is the
    least that any cut so far has left it.
    """
    found = np.empty(len(towards))
    block = max(int(_MOST_EXPONENT / max(exponent, 1e-9)), 1)
    for a in range(0, len(towards), block):
        part = towards[a : a + block]
        scale = np.exp(-exponent * np.arange(1, len(part) + 1))
        walked = np.cumsum(part / scale)
        least = np.minimum.accumulate(ceiling / scale - walked)
        found[a : a + block] = (walked + np.minimum(least, first)) * scale
        first = float(found[min(a + block, len(towards)) - 1])
    return found


# -- from warmth to a model ------------------------------------------------------------------------------------


def _fitted(steps: Steps, means: bool, begin: Model | None = None) -> Fit | None:
    """The least squares of the warmth, from a model to set out from; under a ceiling where that one has one."""
    course = _Course.of(steps)
    if len(course.at) < LEAST_STEPS:
        return None
    # Degrees at the most loss, degrees, and the logarithm of minutes: figures of one size.
    most_w = max(float(np.abs(course.loss).max()), 1e-6)
    held = begin is not None and begin.ceiling_c is not None
    out = _set_out(begin or _at_a_glance(course, most_w), most_w)

    def model_of(x: Floats) -> Model:
        return Model(float(x[0]), float(x[1]) / most_w, float(np.exp(x[2])), float(x[3]) if held else None, means)

    low: list[float] = [-np.inf, -np.inf, np.log(course.minutes / 4)]
    high: list[float] = [np.inf, np.inf, np.log(_MOST_TAU_MIN)]
    if held:
        low, high = [*low, float(np.median(course.warmth))], [*high, float(course.warmth.max()) + 1.0]
    found = least_squares(
        lambda x: course.run(model_of(x)) - course.warmth,
        np.clip(out, np.add(low, 1e-6), np.subtract(high, 1e-6)),
        bounds=(low, high),
        x_scale=[10.0, 10.0, 0.5, 5.0][: len(low)],
        ftol=_ENOUGH,
        xtol=_ENOUGH,
        max_nfev=60,
    )
    return _as_fit(model_of(found.x), steps, found.jac)


def _set_out(model: Model, most_w: float) -> list[float]:
    held = [] if model.ceiling_c is None else [model.ceiling_c]
    return [model.base_c, model.k_per_w * most_w, float(np.log(model.tau_min)), *held]


def _at_a_glance(course: _Course, most_w: float) -> Model:
    over = course.warmth - course.air
    return Model(float(np.quantile(over, 0.1)), float(np.ptp(over)) / most_w, 60.0)


def _as_fit(model: Model, steps: Steps, jacobian: Floats) -> Fit:
    r2, rmse, n = score(model, steps)
    sigma, held = None, 0.0
    if model.ceiling_c is not None:
        said = simulated(model, steps)
        held = float((said >= model.ceiling_c - 1e-9).sum()) * steps.step / 60_000
        # What the ceiling alone moves, at what the residuals come to, three steps as one.
        moves = float((jacobian[:, 3] ** 2).sum())
        sigma = float(rmse * np.sqrt(_CORRELATED_STEPS / moves)) if moves > 0 else None
    return Fit(model, r2, rmse, sigma, held, n)
