"""Owns the light on each array: the best evidence there is at each moment, with its uncertainty.

Evidence in its order: a sensor in the plane, less what glass takes where it has none of its own; a reference module's
short-circuit current; a horizontal sensor (with dome and beam beside it, or taken apart by Erbs) turned into the plane
by Perez; a lux sensor; an imported weather series; the sister arrays; last the clear sky, as an upper bound alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis import flat, lightless, modules
from analysis.geometry import Attitude
from analysis.results import CLEAR, HORIZONTAL, LUX, PLANE, REFERENCE, SISTERS, WEATHER
from analysis.sky import GLOBAL, Parts, Sky
from analysis.sky import LUX as LUX_CHANNEL
from analysis.sun import Floats
from analysis.ways import Ways
from logger.settings import Array

# Standard uncertainties, one sigma: sensor gain between the classes B and C of ISO 9060 for a small-craft sensor;
# transposition a few per cent (IEA-PVPS T13-12:2018 puts the step at 2-5 %) of a plane of 45°, and nothing of a flat
# one, which is the sensor's own. Used as common practice. A reference module: its nameplate, as any module's, and its
# meter. A lux sensor: its own gain, and the efficacy of light, on which the sources differ by 2 %; of the spread of
# efficacy in a typical year, 11.6 % an hour, the clearness of the sky explains half, and the rest passes.
PLANE_GAIN = 0.02
REFERENCE_GAIN = 0.018
HORIZONTAL_GAIN = 0.025
TRANSPOSITION = 0.02
LUX_GAIN, LUX_EFFICACY, LUX_PASSING = 0.05, 0.02, 0.05
SISTER_GAIN = 0.05
# Where light is dim: what is left of a sensor's zero once its nights are taken off, the zero of the meter beside a
# reference module, and what else no other evidence tells; common practice, no source.
ZERO_WM2, ZERO_A, DIM_WM2 = 2.0, 0.01, 3.0
# By how much Erbs misses the dome's share of the light: a quarter of it on measured minutes (23 and 29 % at two
# stations), of a share that is 0.4 on average. Half of the variance is the day's own.
DOME_SHARE = 0.10
_DAYS_OWN = 0.5**0.5
# Under a low sun Erbs takes a clear sky for a hazy one. Where the light is nearly a clear sky's, from the first share
# of it to the second, so much of what the two dome shares differ by is doubt too: the band then reaches the clear sky.
# Common practice, no source.
_NEARLY_CLEAR, _CLEAR, _TO_CLEAR = 0.70, 0.95, 0.6
# The same for the glass over a plane, which takes most of a low beam; common practice.
_BEAM_BESIDE = 0.25
# A series from a satellite: a bias of some per cent, and single values off by 20 to 39 % of the mean under all skies
# (Marchand et al., Adv. Sci. Res. 17, 2020); less under a clear one, so by the light that cloud took.
WEATHER_GAIN = 0.05
WEATHER_CLEAR, WEATHER_CLOUD = 0.12, 0.40


@dataclass(frozen=True, slots=True)
class Light:
    """Light in the plane of one array on a grid.

    Attributes
    ----------
    plane : ndarray
        Irradiance that the cells can use [W/m²], NaN where unknown.
    sigma_gain : ndarray
        Relative standard uncertainty that all intervals share.
    sigma_zero : ndarray
        Absolute standard uncertainty that all intervals share [W/m²].
    measured : ndarray of bool
        Whether a sensor in the plane gave it.
    evidence : ndarray of int8
        Indices into `EVIDENCE`.
    bound : ndarray
        The most there can be, the clear sky in the plane or what sisters leave of it; NaN where a sensor gave the light
        [W/m²].
    beam_share : ndarray
        Share of the light that comes straight from the sun, NaN where unknown.
    lean : ndarray
        Relative standard uncertainty by the dome's share, signed: what lifts the morning may lower the afternoon.
    passing : ndarray
        Relative standard uncertainty that passes within hours.
    glass : ndarray
        Where a sensor in the plane gave the light: the share of what it read that the cells can use; 1 elsewhere.
    ranks : ndarray, shape (modules in series, n), or None
        Where the modules of a string lie in several ways: the light on its best-lit module, on its second and so on
        [W/m²]. None where all are lit alike.
    """

    plane: Floats
    sigma_gain: Floats
    sigma_zero: Floats
    measured: npt.NDArray[np.bool_]
    evidence: npt.NDArray[np.int8]
    bound: Floats
    beam_share: Floats
    lean: Floats
    passing: Floats
    glass: Floats
    ranks: Floats | None = None

    @property
    def incident(self) -> Floats:
        """Irradiance in the plane before any glass, as far as a sensor there read it: G_I of IEC 61724-1 [W/m²]."""
        return self.plane / self.glass

    @property
    def warming(self) -> Floats:
        """The light that warms the modules, on the mean of them [W/m²]."""
        return self.incident if self.ranks is None else np.asarray(self.ranks.mean(axis=0))


@dataclass(frozen=True, slots=True)
class _Seen:
    """One kind of evidence on the grid: light, its relative uncertainties, its share of beam, its ranks, and the share
    of what was read that passes the glass."""

    plane: Floats
    gain: Floats
    beam_share: Floats
    ranks: Floats | None = None
    lean: Floats | float = 0.0
    passing: Floats | float = 0.0
    glass: Floats | float = 1.0
    zero: float = DIM_WM2


def on_array(array: Array, sky: Sky, lies: Attitude) -> Light:
    """The light on one array by the best evidence that the record holds at each moment.

    Parameters
    ----------
    array : Array
        Its groups, where it has any, are lit each in its own way; in series the worst-lit sets the current.
    sky : Sky
    lies : Attitude
        How the vessel lies; without a heading the light is a band over all of them.
    """
    ways = Ways(array, sky, lies)
    seen: list[tuple[int, Callable[[], _Seen | None]]] = [
        (PLANE, lambda: _in_plane(array, sky, ways)),
        (REFERENCE, lambda: _reference(array, sky, ways)),
        (HORIZONTAL, lambda: _from_horizontal(sky, ways)),
        (LUX, lambda: _from_lux(sky, ways)),
        (WEATHER, lambda: _from_weather(sky, ways)),
    ]
    n = len(sky.grid.start)
    plane, beam = np.full(n, np.nan), np.full(n, np.nan)
    gain, lean, passing, glass = np.zeros(n), np.zeros(n), np.zeros(n), np.ones(n)
    zero = np.full(n, DIM_WM2)
    ranks = np.full((array.modules_in_series, n), np.nan) if ways.several else None
    evidence = np.full(n, CLEAR, dtype=np.int8)
    for kind, look in seen:
        missing = ~np.isfinite(plane)
        if not missing.any():
            break
        found = look()
        if found is None:
            continue
        take = missing & np.isfinite(found.plane)
        for target, value in (
            (plane, found.plane),
            (gain, found.gain),
            (beam, found.beam_share),
            (lean, found.lean),
            (passing, found.passing),
            (glass, found.glass),
            (zero, found.zero),
        ):
            target[take] = np.broadcast_to(value, n)[take]
        if ranks is not None and found.ranks is not None:
            ranks[:, take] = found.ranks[:, take]
        evidence[take] = kind
    missing = ~np.isfinite(plane)
    bound = np.full(n, np.nan)
    if missing.any():
        bound[missing] = ways.lit(sky.clear).light[missing]
        # Where the only voice says that it is dark nobody claims good light: the clock or the place may be wrong.
        for dead in lightless.sensors(array.name, sky.as_read, sky.sun.elevation, sky.grid).values():
            bound[missing & dead] = 0.0
    return Light(plane, gain, zero, evidence == PLANE, evidence, bound, beam, lean, passing, glass, ranks)


def with_sisters(array: Array, light: Light, clearness: Floats, sky: Sky, lies: Attitude) -> Light:
    """Fill light that no sensor gave from what the sister arrays showed of the sky.

    Parameters
    ----------
    clearness : ndarray
        Light on the horizontal over the clear sky's, by the sisters' own power while nothing held them back; NaN where
        none was free.

    Notes
    -----
    Sisters can tell which side is weak, never that all are. The darker the sky that they show, the more of what the
    clear sky leaves open may still be there, kept from all of them alike: where they show nine tenths of a clear sky a
    tenth of the rest, where they show one tenth nine. Common practice, no source.
    """
    take = ~np.isfinite(light.plane) & np.isfinite(clearness)
    if not take.any():
        return light
    ways = Ways(array, sky, lies)
    # Under a clear sky the beam counts as it stands; under cloud the light comes from all sides.
    found = ways.lit(sky.taken_apart(np.nan_to_num(clearness) * sky.clear.ghi))
    evidence = np.where(take, np.int8(SISTERS), light.evidence)
    left_open = np.clip(1.0 - clearness, 0.0, 1.0) * np.maximum(light.bound - found.light, 0.0)
    return replace(
        light,
        plane=np.where(take, found.light, light.plane),
        sigma_gain=np.where(take, np.hypot(found.spread, SISTER_GAIN), light.sigma_gain),
        evidence=evidence,
        bound=np.where(take, found.light + left_open, light.bound),
        ranks=None if light.ranks is None or found.ranks is None else np.where(take, found.ranks, light.ranks),
    )


def confirmed(light: Light, clearness: Floats, sky: Sky) -> Floats | None:
    """What of a weather series' light the sister arrays confirm, at most 1; NaN where they cannot, None without one."""
    take = light.evidence == WEATHER
    if not take.any():
        return None
    with np.errstate(divide="ignore", invalid="ignore"):
        share = clearness * sky.clear.ghi / sky.by_weather.ghi
    return np.where(take, np.minimum(share, 1.0), np.nan)


def usable_under(parts: Parts, array: Array, sky: Sky, lies: Attitude) -> Floats:
    """What the modules of an array can use of some light on the horizontal, the clear sky's or another [W/m²]."""
    return Ways(array, sky, lies).lit(parts).light


def _in_plane(array: Array, sky: Sky, ways: Ways) -> _Seen | None:
    channel = f"irradiance.{array.name}.plane"
    plane = sky.light(channel)
    if not np.isfinite(plane).any():
        return None
    beam = _beam_beside(plane, sky, ways)
    share, doubt = _behind_glass(array, ways, beam)
    usable, ranks = ways.beside(plane * share)
    gain = np.sqrt(PLANE_GAIN**2 + sky.drift_sigma(channel) ** 2 + doubt**2)
    return _Seen(usable, gain, beam, ranks, glass=share, zero=ZERO_WM2)


def _behind_glass(array: Array, ways: Ways, beam: Floats) -> tuple[Floats | float, Floats | float]:
    """What of the light that a sensor in the plane read reaches cells behind glass, and its standard uncertainty.

    A reference cell lies behind glass itself. Where nobody says what the sensor is its light is taken as it was read,
    in the doubt that some of it may stay in the glass.
    """
    if array.plane_sensor == "reference cell":
        return 1.0, 0.0
    through = ways.glassed(np.nan_to_num(beam))
    if array.plane_sensor is None:
        return 1.0, (1.0 - through) / 2.0
    otherwise = ways.glassed(np.minimum(np.nan_to_num(beam) + _BEAM_BESIDE, 1.0))
    return through * ways.colours, np.abs(otherwise / through - 1.0)


def _reference(array: Array, sky: Sky, ways: Ways) -> _Seen | None:
    """A module's short-circuit current as light: it reflects, and sees colours, as the array's own modules do.

    The form of IEC 60904-2: G = 1000 W/m² · I / I_sc · (1 - α (T - 25 °C)), from memory.
    """
    amps = sky.stretch[f"irradiance.{array.name}.reference_current"].on(sky.grid)
    if array.module.isc is None or not np.isfinite(amps).any():
        return None
    warm = sky.stretch[f"array.{array.name}.module_temperature"].on(sky.grid)
    alpha = (array.module.temp_coeff_isc if array.module.temp_coeff_isc is not None else 0.05) / 100.0
    if not np.isfinite(warm).all():
        rough = reference_light(amps, array.module.isc, alpha, np.full(len(amps), 25.0))
        warm = np.where(np.isfinite(warm), warm, _warmth(rough, sky, array))
    plane = sky.alive(reference_light(amps, array.module.isc, alpha, warm))
    usable, ranks = ways.beside(plane)
    gain, beam = np.full(len(plane), REFERENCE_GAIN), _beam_beside(plane, sky, ways, glazed=True)
    return _Seen(usable, gain, beam, ranks, zero=1000.0 * ZERO_A / array.module.isc)


def _warmth(plane: Floats, sky: Sky, array: Array) -> Floats:
    """Temperature of a module in that light [°C]; 25 where no thermometer hangs outside."""
    air, wind = (sky.stretch[f"air.outside.{name}"].on(sky.grid) for name in ("temperature", "wind_speed"))
    found, _ = modules.array_temperature(array, plane, air, modules.wind_at_modules(wind))
    return np.where(np.isfinite(found), found, 25.0)


def reference_light(amps: Floats, isc: float, alpha: float, temperature: Floats) -> Floats:
    """Irradiance [W/m²] from a reference module's short-circuit current [A], its coefficient [1/K], warmth [°C]."""
    return np.maximum(1000.0 * amps / isc * (1.0 - alpha * (temperature - 25.0)), 0.0)


def _from_horizontal(sky: Sky, ways: Ways) -> _Seen | None:
    return _from_parts(sky.measured, ways, np.hypot(HORIZONTAL_GAIN, sky.drift_sigma(GLOBAL)), zero=ZERO_WM2)


def _from_lux(sky: Sky, ways: Ways) -> _Seen | None:
    gain = np.sqrt(LUX_GAIN**2 + LUX_EFFICACY**2 + sky.drift_sigma(LUX_CHANNEL) ** 2)
    return _from_parts(sky.by_lux, ways, gain, LUX_PASSING)


def _from_parts(
    parts: Parts, ways: Ways, gain: Floats | float, passing: Floats | float = 0.0, zero: float = DIM_WM2
) -> _Seen | None:
    known = np.isfinite(parts.ghi)
    if not known.any():
        return None
    found = ways.lit(parts)
    with np.errstate(divide="ignore", invalid="ignore"):
        beam = np.where(parts.ghi > 0, np.clip(1.0 - parts.dhi / parts.ghi, 0.0, 1.0), np.nan)
    relative = np.sqrt(gain**2 + (TRANSPOSITION * ways.steepness) ** 2 + found.spread**2)
    each = np.nan_to_num(np.where(parts.told, 0.0, ways.lean(parts) / np.maximum(found.light, 1.0)))
    own = DOME_SHARE * _DAYS_OWN
    light = np.where(known, found.light, np.nan)
    lean, passes = np.hypot(own, _haze_or_none(parts, ways.sky.clear)) * each, np.hypot(own * each, passing)
    return _Seen(light, relative, beam, found.ranks, lean, passes, zero=zero)


def _haze_or_none(parts: Parts, clear: Parts) -> Floats:
    """Doubt of the dome's share of the light where the sky may as well be a clear one."""
    with np.errstate(divide="ignore", invalid="ignore"):
        near = np.clip((parts.ghi / clear.ghi - _NEARLY_CLEAR) / (_CLEAR - _NEARLY_CLEAR), 0.0, 1.0)
        apart = parts.dhi / parts.ghi - clear.dhi / clear.ghi
    return np.nan_to_num(near * apart * _TO_CLEAR, posinf=0.0, neginf=0.0)


def _from_weather(sky: Sky, ways: Ways) -> _Seen | None:
    parts = sky.by_weather
    with np.errstate(divide="ignore", invalid="ignore"):
        taken = np.clip(1.0 - parts.ghi / sky.clear.ghi, 0.0, 1.0)
    return _from_parts(parts, ways, WEATHER_GAIN, WEATHER_CLEAR + WEATHER_CLOUD * np.nan_to_num(taken))


def _beam_beside(plane: Floats, sky: Sky, ways: Ways, glazed: bool = False) -> Floats:
    """Share of beam on the flat, by the horizontal sensor where there is one, else by the light in the plane."""
    parts = sky.measured
    if not np.isfinite(parts.ghi).any():
        parts = flat.parts(sky, np.nan_to_num(plane), ways.own, glazed)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(parts.ghi > 0, np.clip(1.0 - parts.dhi / parts.ghi, 0.0, 1.0), np.nan)
