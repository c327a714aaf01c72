"""Owns boxes that are made up: a controller's losses, a thermostat's fan that cuts in and out, minute by minute.

The box is a lump of heat with one resistance while its fan stands and a smaller one while it runs; it knows no ceiling.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.ceiling import Steps
from analysis.sun import Floats
from tests.analysis import frames

STEP = 10


@dataclass(frozen=True, slots=True)
class Box:
    """A box and its days.

    Attributes
    ----------
    days : int
    k_per_w, fan_k_per_w : float
        With the fan at rest, and at work.
    tau_min : float
        At rest.
    set_c, swing_k : float
        The warmth at which the fan cuts in, and how far below it cuts out.
    top_w : float
        Loss at the height of a bright day.
    air_c, air_swing_k : float
        That it breathes: mean, and half of its way over a day.
    fan_dies : float or None
        The day from which it runs no more.
    """

    days: int = 7
    k_per_w: float = 1.0
    fan_k_per_w: float = 0.35
    tau_min: float = 60.0
    set_c: float = 45.0
    swing_k: float = 1.0
    top_w: float = 60.0
    air_c: float = 20.0
    air_swing_k: float = 6.0
    fan_dies: float | None = None
    seed: int = 0


def minutes(box: Box) -> tuple[Floats, Floats, Floats]:
    """Warmth in the box [°C], loss in it [W] and the air it breathes [°C], each minute."""
    rng = np.random.default_rng(box.seed)
    at = np.arange(box.days * 1440)
    height = np.maximum(np.sin((at % 1440 - 360) / 720 * np.pi), 0.0)
    bright = np.repeat(rng.uniform(0.6, 1.0, box.days), 1440) * np.repeat(rng.uniform(0.3, 1.0, len(at) // 30), 30)
    loss = box.top_w * height * bright
    air = box.air_c + box.air_swing_k * np.sin((at % 1440 - 540) / 1440 * 2 * np.pi)
    inside, now, runs = np.empty(len(at)), float(air[0]), False
    capacity = box.tau_min / box.k_per_w
    for i in range(len(at)):
        runs = now > box.set_c or (runs and now > box.set_c - box.swing_k)
        works = runs and (box.fan_dies is None or i < box.fan_dies * 1440)
        now += (loss[i] - (now - air[i]) / (box.fan_k_per_w if works else box.k_per_w)) / capacity
        inside[i] = now
    return inside + 0.1 * rng.standard_normal(len(at)), loss, air


def means(values: Floats) -> Floats:
    """Of ten minutes each."""
    return np.asarray(values.reshape(-1, STEP).mean(axis=1))


def steps(box: Box, *, air: bool = True) -> Steps:
    """The box as its instruments tell it, in means of ten minutes; `air` whether somebody measures what it breathes."""
    inside, loss, outside = minutes(box)
    start = frames.START + np.arange(len(inside) // STEP, dtype=np.int64) * STEP * frames.MINUTE_MS
    return Steps(start, STEP * frames.MINUTE_MS, means(inside), means(loss), means(outside) if air else None)
