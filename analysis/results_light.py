"""Owns what a day of light tells: of the sensor that measured it, and of which way a plane faces."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

# A light sensor that says more than this while the sun is well down does not tell light from anything else. No
# deck lamp comes near it. Common practice, no source.
NEVER_DARK_WM2 = 50.0


@dataclass(frozen=True, slots=True)
class LightDay:
    """What one solar day says of a light sensor, against a cloudless sky.

    Attributes
    ----------
    channel : str
    day : datetime.date
    start, stop : int
        UTC [ms].
    offset_wm2 : float
        What it said at night, taken off its light [W/m²].
    clear_min : float
        Minutes of clear sky that could tell the rest.
    gain : float or None
        Measured over clear-sky light.
    noon_shift_s, noon_sigma_s : float or None
        By how much its noon comes after the sun's, with the standard uncertainty [s].
    drift : float
        Of its gain since its first clear days, taken out of the light that judged this day; 1 where none was.
    """

    channel: str
    day: dt.date
    start: int
    stop: int
    offset_wm2: float
    clear_min: float
    gain: float | None
    noon_shift_s: float | None
    noon_sigma_s: float | None
    drift: float = 1.0

    @property
    def is_never_dark(self) -> bool:
        """Whether it said at night what only light says: its day counts as not read."""
        return self.offset_wm2 > NEVER_DARK_WM2


@dataclass(frozen=True, slots=True)
class FacingDay:
    """Where one array's plane faces by the light of one solar day.

    Attributes
    ----------
    array : str
    day : datetime.date
    start, stop : int
        UTC [ms].
    evidence : str
        ``plane``, a light sensor in it, or ``power``, the array's own.
    tilt, azimuth : float
        From the horizontal, and clockwise from north [degrees].
    own_up, own_across : float
        Standard uncertainties by the day's own misfit, of the tilt and across it [degrees].
    shared_up, shared_across : float
        The same by what all days share: scales and ground [degrees].
    misfit : float
        By how much the light missed that plane's, root mean square, as a share.
    excess : float
        By how much there was more than the drawn plane could have got, in the quarter of the day in which most so, as
        a share.
    drawn_tilt, drawn_azimuth : float
        In the settings of that day [degrees].
    """

    array: str
    day: dt.date
    start: int
    stop: int
    evidence: str
    tilt: float
    azimuth: float
    own_up: float
    own_across: float
    shared_up: float
    shared_across: float
    misfit: float
    excess: float
    drawn_tilt: float
    drawn_azimuth: float
