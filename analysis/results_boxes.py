"""Owns the values of the table `box_spell`: a box over some days in which nobody heard whether its fan ran."""

from __future__ import annotations

from dataclasses import dataclass

TOLD, TOO_COOL, REFUSED = "told", "not identifiable", "refused"


@dataclass(frozen=True, slots=True)
class BoxSpell:
    """One box over some solar days, by the heat lost in it.

    Attributes
    ----------
    enclosure : str
    start, stop : int
        Of its days, UTC [ms].
    days : int
        Days of the record in it.
    told : str
        ``told``; ``not identifiable`` where it warms itself by too little or was heard for too short; ``refused`` where
        the model does not describe it, as where more loss would cool it.
    n : int
        Steps.
    r2, rmse_k : float or None
        Of the warmth by the model, run from the first reading of each unbroken piece.
    thermal_resistance_k_per_w, time_constant_min, base_c : float or None
        Kelvins per watt lost in it; minutes; the warmth that it would have without loss, over the air it breathes where
        that is measured.
    ceiling_c, ceiling_low_c, ceiling_high_c : float or None
        The warmth at which it is held, with its 95 % interval: where a thermostat's fan cuts in. None where it was
        never held.
    held_min : float
        Minutes in which it was held there.
    warmest_air_c : float or None
        The warmest air that it breathed meanwhile.
    """

    enclosure: str
    start: int
    stop: int
    days: int
    told: str
    n: int
    r2: float | None = None
    rmse_k: float | None = None
    thermal_resistance_k_per_w: float | None = None
    time_constant_min: float | None = None
    base_c: float | None = None
    ceiling_c: float | None = None
    ceiling_low_c: float | None = None
    ceiling_high_c: float | None = None
    held_min: float = 0.0
    warmest_air_c: float | None = None
