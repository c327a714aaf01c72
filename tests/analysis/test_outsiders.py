"""Records that another program wrote, by plain pvlib, come out as their writer knows them to be."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analysis.modules import power_ratio
from logger.settings import Module
from tests.analysis.outsiders import CONTROLLER, Given, Sky, judged, settings

PASSAGE = """
[[passage]]
from = 2026-01-01
until = 2026-02-01
latitude = -30
longitude = 150
"""


@pytest.mark.parametrize("way", ["passage", "own channels"])
def test_far_from_the_berth_no_light_is_lost(tmp_path: Path, way: str) -> None:
    """Half round the earth from the berth by whose longitude the days are counted the sun is up at both ends of a day:
    all of its daylight is heard and known, whether a passage or her own channels say where she is."""
    sky = Sky(-30.0, 150.0, "2026-01-05", 3)
    roof = Given(sky.plane(5.0, 0.0))
    channels = roof.channels | {"irradiance.horizontal.global": sky.ghi}
    if way == "passage":
        how, more = "fixed", PASSAGE
    else:
        how, more = "under way", ""
        n = len(sky.t)
        channels |= {
            "site.position.latitude": np.full(n, -30.0),
            "site.position.longitude": np.full(n, 150.0),
            "site.attitude.heading": np.zeros(n),
        }
    text = settings(sky, channels, tilt=5, azimuth=0, moored=how, latitude=47.6, longitude=-2.9, more=more)
    found = judged(tmp_path, text, sky, channels)
    (array,) = found["arrays"]
    true_wh = (roof.voltage * roof.current).sum() / 60
    assert [f["rule"] for f in found["findings"]] == []
    assert array["measured_wh"] == pytest.approx(true_wh, rel=0.005)
    assert array["judged_ratio"] == pytest.approx(1.0, abs=0.03)
    assert all(day["states"].keys() <= {"night", "unhindered"} for day in array["days"])


def test_sides_in_series_are_no_dead_array(tmp_path: Path) -> None:
    """A string of one module to the east and one to the west carries the weaker one's current at twice its volts, far
    above the bank's: little, as drawn, and neither volts too low nor an array that gives nothing."""
    sky = Sky(54.3, 10.1, "2026-05-05", 1)
    weaker = Given(np.minimum(sky.plane(30.0, 90.0), sky.plane(30.0, 270.0)))
    channels = weaker.channels | {"irradiance.horizontal.global": sky.ghi}
    groups = "".join(
        f"[[array.group]]\nmodules = 1\ntilt = 30\nazimuth = {azimuth}\n" for azimuth in (90, 270, 90, 270)
    )
    found = judged(tmp_path, settings(sky, channels, array_more=groups), sky, channels)
    (array,) = found["arrays"]
    assert [f["rule"] for f in found["findings"]] == []
    assert array["days"][0]["states"].keys() == {"night", "unhindered"}
    assert array["judged_ratio"] == pytest.approx(1.0, abs=0.06)


@pytest.mark.parametrize(
    ("true", "typed"),
    [((47.6, -20.0), (47.6, 20.0)), ((40.0, -30.0), (40.0, 30.0)), ((54.3, 10.1), (10.1, 54.3))],
    ids=["sign", "sign far out", "swapped"],
)
def test_a_place_typed_wrong_is_no_shade(tmp_path: Path, true: tuple[float, float], typed: tuple[float, float]) -> None:
    """With the longitude's sign wrong, or latitude and longitude swapped, light turned into the plane is too much at
    some hours of every clear day, and some hours are dark: what is wrong is told, no shadow and no dead array."""
    sky = Sky(*true, "2026-05-10", 5)
    channels = Given(sky.plane(30.0, 180.0)).channels | {"irradiance.horizontal.global": sky.ghi}
    text = settings(sky, channels, latitude=typed[0], longitude=typed[1])
    found = {f["rule"] for f in judged(tmp_path, text, sky, channels)["findings"]}
    assert "clock-suspect" in found
    assert found.isdisjoint({"yield-shortfall", "array-dead", "instrument-unheard"})


@pytest.mark.parametrize("kind", ["plane", "reference_current"])
@pytest.mark.parametrize("said", [0.0, -1.5], ids=["nothing", "its offset"])
def test_a_sensor_that_dies_by_day_makes_no_night(tmp_path: Path, kind: str, said: float) -> None:
    """From noon on it says nothing, or its offset in the dark: the light on the flat judges the rest of the day."""
    sky = Sky(54.3, 10.1, "2026-05-05", 2)
    roof = Given(sky.plane(30.0, 180.0))
    best = roof.light.copy() - 1.5 if kind == "plane" else roof.light / 1000.0 * 5.951
    best[720:] = said
    channels = roof.channels | {"irradiance.horizontal.global": sky.ghi, f"irradiance.roof.{kind}": best}
    (array,) = judged(tmp_path, settings(sky, channels), sky, channels)["arrays"]
    assert [day["verdict"] for day in array["days"]] == ["healthy", "healthy"]
    for day in array["days"]:
        assert day["states"]["unhindered"] > 750
        assert day["judged_ratio"] == pytest.approx(1.0, abs=0.04)


def clouded(days: int) -> np.ndarray:
    """Broken cloud from minute to minute, never a clear hour."""
    random, level = np.random.default_rng(1), 0.0
    share = np.empty(days * 1440)
    for i in range(len(share)):
        level = 0.97 * level + 0.243 * random.normal()
        share[i] = min(max(0.75 - 0.25 * level, 0.12), 1.1)
    return share


@pytest.mark.parametrize("gain", [1.3, 0.7])
def test_two_witnesses_outvote_a_sensor_under_cloud(tmp_path: Path, gain: float) -> None:
    """The array and the sensor facing up agree, the one in the plane is off by three tenths: no clear sky is needed to
    tell that, and neither a shortfall nor an excess of the array stands beside it."""
    sky = Sky(54.3, 10.1, "2026-05-05", 4, cloud=clouded(4))
    roof = Given(sky.plane(30.0, 180.0))
    channels = roof.channels | {"irradiance.horizontal.global": sky.ghi, "irradiance.roof.plane": gain * roof.light}
    (found,) = judged(tmp_path, settings(sky, channels), sky, channels)["findings"]
    assert found["rule"] == "sensor-suspect"
    assert found["evidence"]["channel"] == "irradiance.roof.plane"
    assert found["evidence"]["gain"] == pytest.approx(gain, rel=0.06)


def test_a_weak_array_is_no_wrong_sensor(tmp_path: Path) -> None:
    """Where both sensors say the same of the light, what the array lacks is the array's."""
    sky = Sky(54.3, 10.1, "2026-05-05", 3, cloud=clouded(3))
    roof = Given(sky.plane(30.0, 180.0))
    channels = roof.channels | {"irradiance.horizontal.global": sky.ghi, "irradiance.roof.plane": roof.light}
    channels["array.roof.current"] *= 0.75
    (found,) = judged(tmp_path, settings(sky, channels), sky, channels)["findings"]
    assert (found["rule"], found["subject"]) == ("yield-shortfall", "array.roof")


@pytest.mark.parametrize("sensor", ["irradiance.roof.plane", "irradiance.horizontal.global"])
def test_the_shadow_of_a_boom_is_no_fault_of_the_array(tmp_path: Path, sensor: str) -> None:
    """A flat array at 30.5° N on clear days of February gives a tenth less than the light allows, as arrays do in the
    heat, and from 09:10 to 10:40 dips to two fifths until the boom is moved: a shadow with its hours and watt-hours is
    told, however well the light is known, and no array that is short all day."""
    sky = Sky(30.5, 0.0, "2026-02-20", 5)
    roof = Given(sky.plane(0.0, 180.0))
    channels = roof.channels | {sensor: sky.ghi}
    hour, day = (sky.t.hour + sky.t.minute / 60).to_numpy(), np.arange(len(sky.t)) // 1440
    channels["array.roof.current"] *= 0.93 * np.where((hour > 9.17) & (hour < 10.67) & (day < 4), 0.41, 1.0)
    (found,) = judged(tmp_path, settings(sky, channels, tilt=0), sky, channels)["findings"]
    assert found["evidence"]["hours"] == "from 3 to 1 hour before noon"
    lost = (roof.voltage * roof.current - roof.voltage * channels["array.roof.current"] / 0.93).sum() / 60
    assert found["evidence"]["lost_wh"] == pytest.approx(0.93 * lost, rel=0.1)
    assert found["causes"][0]["cause"] == "shade"


def test_a_length_typed_in_centimetres_breaks_no_ladder(tmp_path: Path) -> None:
    """Runs of 6.5 m and 1.5 m typed as 650 and 150 of 1 mm²: the rungs still add up, and none of them takes more than
    there was or gives the bank less than nothing."""
    sky = Sky(54.3, 10.1, "2026-05-05", 1)
    roof = Given(sky.plane(30.0, 180.0))
    channels = roof.channels | {"irradiance.roof.plane": roof.light}
    runs = "".join(
        f'[[cable]]\nname = "{name}"\ncarries = "{name}"\nlength = {length}\narea = 1.0\n'
        for name, length in (("array.roof", 650), ("controller.roof", 150))
    )
    text = settings(sky, channels, controller=CONTROLLER + runs)
    (array,) = judged(tmp_path, text, sky, channels)["arrays"]
    rungs = dict(array["ladder"])
    clear = rungs.pop("clear_sky_wh")
    assert sum(rungs.values()) == pytest.approx(clear, rel=0.001)
    assert rungs["cable_wh"] <= array["measured_wh"] + 0.1
    assert rungs["bank_wh"] >= 0.0


def test_a_wash_is_worth_what_the_cooler_cells_do_not_explain() -> None:
    """1731 W before and 1935 W after the wash: 11.8 % more as read; with 6 K of cooling at 0.4 %/K taken out, 9 %
    (published worked case)."""
    sheet = Module(power=100.0, temp_coeff_power=-0.4)
    before, after = (power_ratio(sheet, np.array([900.0]), np.array([cell]))[0] for cell in (51.0, 45.0))
    assert pytest.approx(1.118, abs=0.0005) == 1935 / 1731
    assert 1935 / 1731 / (after / before) == pytest.approx(1.09, abs=0.005)


@pytest.mark.parametrize("offset", [-3.0, 5.0])
def test_the_same_word_all_night_is_an_offset(tmp_path: Path, offset: float) -> None:
    """-3 W/m² to the digit all night, missing for half an hour of it: reported, and taken off the day's light."""
    sky = Sky(54.3, 10.1, "2026-05-05", 2)
    roof = Given(sky.plane(30.0, 180.0))
    said = roof.light + offset
    said[240:270] = np.nan
    channels = roof.channels | {"irradiance.roof.plane": said}
    found = judged(tmp_path, settings(sky, channels), sky, channels)
    assert found["light"][0]["night_offset_wm2"] == offset
    (array,) = found["arrays"]
    known = np.isfinite(said) & (roof.light > 0)
    assert array["iec_61724"]["span"]["irradiation_kwh_m2"] == pytest.approx(roof.light[known].sum() / 60000, rel=0.004)


@pytest.mark.parametrize(
    "sensor", ["irradiance.roof.plane", "irradiance.horizontal.global", "irradiance.horizontal.illuminance"]
)
def test_a_dead_light_sensor_is_told_until_it_speaks_again(tmp_path: Path, sensor: str) -> None:
    """Nothing in full day through the second and third day of four: the sensor is told, from the second on, over with
    the fourth, though no clear sky was there to try it."""
    sky = Sky(54.3, 10.1, "2026-05-05", 4, cloud=clouded(4))
    roof = Given(sky.plane(30.0, 180.0))
    said = roof.light.copy() if sensor.endswith("plane") else sky.ghi * (115.0 if sensor.endswith("nce") else 1.0)
    said[1440:4320] = 0.0
    channels = roof.channels | {sensor: said}
    (found,) = judged(tmp_path, settings(sky, channels), sky, channels)["findings"]
    assert (found["rule"], found["evidence"]["channel"]) == ("sensor-suspect", sensor)
    assert found["evidence"]["days"] == ["2026-05-06", "2026-05-07"]
    assert found["state"] == "returned"


@pytest.mark.parametrize(
    ("latitude", "start", "tilt"), [(54.3, "2026-01-15", 60), (65.0, "2026-03-05", 60), (40.0, "2026-12-15", 30)]
)
def test_a_low_sun_in_a_clear_sky_is_within_the_doubt(tmp_path: Path, latitude: float, start: str, tilt: int) -> None:
    """By a sensor facing up nobody knows how much of a low sun's light is beam, which a steep plane takes whole: the
    array gives more than Erbs' dome allows, the band says so, and nothing is found."""
    sky = Sky(latitude, 10.1, start, 5)
    roof = Given(sky.plane(tilt, 180.0))
    channels = roof.channels | {"irradiance.horizontal.global": sky.ghi}
    found = judged(tmp_path, settings(sky, channels, tilt=tilt), sky, channels)
    (array,) = found["arrays"]
    assert array["judged_ratio_low"] <= 1.0 <= array["judged_ratio_high"]
    assert [f["rule"] for f in found["findings"]] == []
