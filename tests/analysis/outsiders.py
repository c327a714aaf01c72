"""Owns records as another program would write them: settings and CSV by plain pvlib, judged through an import."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pvlib

from analysis.assess import assess
from analysis.report import verdict
from analysis.results_reading import Results
from analysis.sun import Floats
from logger import schema
from logger.importing import bring_in, choose
from logger.settings_file import plan, read
from logger.store import open_reader, open_writer

NOW = 1_900_000_000_000  # after every record
STEP_S = 60
BANK_V = 25.5
# Of De Soto's single diode; the datasheet below is what it gives at 25 and at 45 °C.
_IL, _A, _RS, _RSH, _VOC = 5.96, 0.88, 0.22, 150.0, 22.0
_IO = (_IL - _VOC / _RSH) / (np.exp(_VOC / _A) - 1.0)
DATASHEET = """power = 100.53
voc = 22.0
isc = 5.951
vmp = 18.12
imp = 5.548
temp_coeff_power = -0.402
temp_coeff_voc = -0.336
temp_coeff_isc = 0.05
cells_in_series = 36
"""
RATED_W = 4 * 100.53
CONTROLLER = """
[[controller]]
name = "roof"
type = "mppt"
input_voltage_limit = 100
output_current_limit = 60
efficiency = 0.97
absorption_v = 28.6
float_v = 27.2

[bank]
name = "house"
chemistry = "agm"
nominal_voltage = 24
capacity_ah = 220
"""


@dataclass
class Sky:
    """A place, a clear sky over some days from local solar midnight, and the share of it that clouds leave.

    Attributes
    ----------
    cloud : ndarray or float
        Global light over the cloudless sky's, minute by minute.
    """

    latitude: float
    longitude: float
    start: str
    days: float
    elevation: float = 0.0
    cloud: Floats | float = 1.0
    t: pd.DatetimeIndex = field(init=False)
    ghi: Floats = field(init=False)
    dni: Floats = field(init=False)
    dhi: Floats = field(init=False)

    def __post_init__(self) -> None:
        midnight = pd.Timestamp(self.start, tz="UTC") - pd.Timedelta(hours=self.longitude / 15)
        self.t = pd.date_range(midnight.ceil("60s"), periods=round(self.days * 86400 / STEP_S), freq=f"{STEP_S}s")
        middle = self.t + pd.Timedelta(seconds=STEP_S / 2)
        place = pvlib.location.Location(self.latitude, self.longitude, altitude=self.elevation)
        self.sun = place.get_solarposition(middle)
        clear = place.get_clearsky(middle, model="ineichen", solar_position=self.sun)
        self.ghi = clear.ghi.to_numpy() * self.cloud
        self.dni = clear.dni.to_numpy() * np.clip((self.cloud - 0.25) / 0.75, 0.0, 1.0)
        up = np.maximum(np.cos(np.radians(self.sun.apparent_zenith.to_numpy())), 0.0)
        self.dhi = np.maximum(self.ghi - self.dni * up, 0.0)

    def plane(self, tilt: Floats | float, azimuth: Floats | float) -> Floats:
        """Light in a plane by Perez, ground of 0.2 [W/m²]."""
        zenith, bearing = self.sun.apparent_zenith.to_numpy(), self.sun.azimuth.to_numpy()
        found = pvlib.irradiance.get_total_irradiance(
            tilt, azimuth, zenith, bearing, self.dni, self.ghi, self.dhi,
            pvlib.irradiance.get_extra_radiation(self.t).to_numpy(),
            pvlib.atmosphere.get_relative_airmass(zenith), albedo=0.2, model="perez",
        )  # fmt: skip
        return np.nan_to_num(np.asarray(found["poa_global"]))


@dataclass
class Given:
    """What four such modules, two in series and two in parallel, give in a plane's light at 15 °C and 2 m/s."""

    light: Floats

    def __post_init__(self) -> None:
        self.cell = pvlib.temperature.faiman(self.light, 15.0, 2.0)
        lit = np.maximum(self.light, 1e-3)
        sheet = pvlib.pvsystem.calcparams_desoto(lit, self.cell, 0.003, _A, _IL, _IO, _RSH, _RS)
        found = pvlib.pvsystem.singlediode(*sheet)
        dark = self.light < 1.0
        self.voltage = np.where(dark, 0.0, 2 * found["v_mp"])
        self.current = np.where(dark, 0.0, 2 * found["i_mp"])
        self.open_voltage = np.where(dark, 0.0, 2 * found["v_oc"])

    @property
    def channels(self) -> dict[str, Floats]:
        """Volts and amps as the array's own, with bank and air."""
        n = len(self.light)
        return {
            "array.roof.voltage": self.voltage.copy(),
            "array.roof.current": self.current.copy(),
            "bank.house.voltage": np.full(n, BANK_V),
            "air.outside.temperature": np.full(n, 15.0),
            "air.outside.wind_speed": np.full(n, 2.0),
        }


def settings(
    sky: Sky, channels: Mapping[str, Floats], *, tilt: float = 30, azimuth: float = 180, moored: str = "fixed",
    latitude: float | None = None, longitude: float | None = None, more: str = "", array_more: str = "",
    controller: str = CONTROLLER,
) -> str:  # fmt: skip
    """The settings of such a vessel; `more` stands after the site, `array_more` within the array."""
    columns = "".join(f'[[source.channel]]\nfield = "{c}"\nchannel = "{c}"\n' for c in channels)
    return f"""[site]
name = "Outsider"
latitude = {sky.latitude if latitude is None else latitude}
longitude = {sky.longitude if longitude is None else longitude}
elevation = {sky.elevation}
timezone = "UTC"
moored = "{moored}"
around = "land"
{more}
[store]
path = "outsider.db"

[[array]]
name = "roof"
controller = "roof"
modules_in_series = 2
strings_in_parallel = 2
tilt = {tilt}
azimuth = {azimuth}
mounting = "rack"
[array.module]
{DATASHEET}{array_more}{controller}
[[source]]
name = "history"
kind = "csv"
path = "inbox/*.csv"
time = {{ field = "time", zone = "UTC", label = "start", interval_s = {STEP_S} }}
{columns}"""


def judged(folder: Path, text: str, sky: Sky, channels: Mapping[str, Floats]) -> dict[str, Any]:
    """What `assess --json` prints of such a record, brought in from a file."""
    folder.mkdir(exist_ok=True)
    (folder / "noonmark.toml").write_text(text, encoding="utf-8")
    rows = pd.DataFrame({"time": sky.t.strftime("%Y-%m-%dT%H:%M:%SZ"), **channels})
    rows.to_csv(folder / "history.csv", index=False, float_format="%.4f")
    located = read(folder / "noonmark.toml")
    schema.prepare(located.store_path)
    ours = plan(located)
    with closing(open_writer(located.store_path)) as connection:
        for file, source in choose(ours, [folder / "history.csv"], "history"):
            list(bring_in(connection, ours, [(file, source)], NOW))
    assess(located)
    with closing(open_reader(located.store_path)) as connection:
        return verdict(Results(connection), located.settings)
