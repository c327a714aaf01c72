"""How well it is told which way a plane faces, on planes of any tilt and azimuth, sound and faulty, by other physics.

Run by hand: ``python -m tests.bench_facing [--planes 60] [--seed 7]``. Latitudes 10 to 60°, any season, six days each,
a third of them with cloud before the sun for a fifth or half of the time; sensors of 2 % and power of 5 % (one sigma),
ground of albedo 0.2 ± 0.15.
"""

from __future__ import annotations

import argparse
import datetime as dt
from dataclasses import dataclass, replace

import numpy as np

from analysis.facing import normal, together
from analysis.rules import facing_suspect
from tests.analysis.planes import Plane
from tests.analysis.test_findings import history

_CLOUDS = (0.0, 0.0, 0.0, 0.0, 0.2, 0.5)
FAULTS = ("sound", "gain 20 %", "level's gain 15 %", "level leans 5°", "shade", "drawn 15° off", "drawn 20° off",
          "drawn 30° off")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Told:
    """Of some planes: how many told enough, the angles from the true plane [degrees], in standard uncertainties, and in
    how many a notice was raised."""

    planes: int
    angles: list[float]
    sigmas: list[float]
    raised: int


def campaign(fault: str, planes: int, seed: int, *, by_power: bool, parts: bool) -> Told:
    """Planes with one fault, or with a drawing that is off."""
    rng = np.random.default_rng(seed)
    angles, sigmas, raised = [], [], 0
    for _ in range(planes):
        plane = _with(fault, _sound(rng, by_power, parts), rng)
        days = plane.days(dt.date(2025, 1, 1) + dt.timedelta(int(rng.integers(0, 350))), 6, _CLOUDS)
        if len(days) < 3:
            continue
        angle, sigma = together(days).away_from(plane.tilt, plane.azimuth)
        angles.append(angle)
        sigmas.append(sigma)
        raised += bool(facing_suspect.found(history(facing_days=days)))
    return Told(planes, angles, sigmas, raised)


def _sound(rng: np.random.Generator, by_power: bool, parts: bool) -> Plane:
    latitude = float(rng.choice([10.0, 30.0, 48.0, 60.0]))
    return Plane(
        latitude=latitude,
        tilt=float(rng.uniform(3, 60)),
        azimuth=float((180 + rng.uniform(-110, 110)) % 360),
        by_power=by_power,
        parts=parts,
        gain=1 + float(rng.normal(0, 0.05 if by_power else 0.02)),
        level_gain=1 + float(rng.normal(0, 0.02)),
        ground=max(float(rng.normal(0.2, 0.15)), 0.02),
        rng=np.random.default_rng(int(rng.integers(1 << 30))),
    )


def _with(fault: str, plane: Plane, rng: np.random.Generator) -> Plane:
    sign = float(rng.choice([-1.0, 1.0]))
    if fault.startswith("gain"):
        return replace(plane, gain=plane.gain * (1 + 0.2 * sign))
    if fault.startswith("level's"):
        return replace(plane, level_gain=plane.level_gain * (1 + 0.15 * sign))
    if fault.startswith("level leans"):
        return replace(plane, lean=(5.0, float(rng.uniform(0, 360))))
    if fault == "shade":
        return replace(plane, shaded_after_h=sign * float(rng.uniform(0.5, 4.0)))
    if fault.startswith("drawn"):
        return replace(plane, drawn=_turned(plane, float(fault.split()[1].rstrip("° of")), rng))
    return plane


def _turned(plane: Plane, degrees: float, rng: np.random.Generator) -> tuple[float, float]:
    """A plane so far from that one, any way that does not look down."""
    own = normal(plane.tilt, plane.azimuth)
    while True:
        way = np.cross(own, rng.normal(size=3))
        other = np.cos(np.radians(degrees)) * own + np.sin(np.radians(degrees)) * way / np.linalg.norm(way)
        if other[2] > 0.2:
            tilt = float(np.degrees(np.arccos(other[2])))
            return tilt, float(np.degrees(np.arctan2(other[0], other[1]))) % 360


def line(fault: str, by_power: bool, parts: bool, told: Told) -> str:
    middle, most = np.quantile(told.angles, [0.5, 0.9]) if told.angles else (np.nan, np.nan)
    within = sum(s < 2.45 for s in told.sigmas)  # the 95 % ellipse of two angles
    kind = ("power" if by_power else "plane sensor", "global, beam, dome" if parts else "global alone")
    return (
        f"| {fault} | {kind[0]} | {kind[1]} | {len(told.angles)} of {told.planes} | {middle:.1f}, {most:.1f} | "
        f"{within} | {told.raised} |"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--planes", type=int, default=60)
    parser.add_argument("--seed", type=int, default=7)
    asked = parser.parse_args()
    print("| fault | by | beside | told | off: middle, 90 % [°] | inside the 95 % ellipse | notices |")
    print("| --- | --- | --- | ---: | ---: | ---: | ---: |")
    for by_power in (False, True):
        for parts in (False, True):
            for fault in FAULTS:
                told = campaign(fault, asked.planes, asked.seed, by_power=by_power, parts=parts)
                print(line(fault, by_power, parts, told), flush=True)


if __name__ == "__main__":
    main()
