"""More than a cloudless sky can give tells the drawing; where light is known, or for minutes beside a cloud, it tells
nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.beyond_clear import FEATURE
from analysis.findings import History
from analysis.frames import Pieces, Stretch
from analysis.results import ArrayDay, Finding
from analysis.rules import yield_excess
from analysis.sun import DAY_MS, Place, SunPath, Times
from logger.settings import Settings
from tests.analysis import frames
from tests.analysis.whole_days import judged

MINUTE_MS = 60_000
DAYS = 4
START = frames.START
# A clear June at 45° north, where a plane of 35° towards the south has its sun from about seven to five.
LATITUDE = 45.0


def settings(azimuth: float = 180.0, power: float = 100.0, moored: str = "fixed") -> Settings:
    site = {"name": "Test", "latitude": LATITUDE, "longitude": 0.0, "timezone": "UTC", "moored": moored}
    base = frames.settings(site=site).model_dump()
    (array,) = base["array"]
    array |= {
        "tilt": 35.0,
        "azimuth": azimuth,
        "module": array["module"] | {"power": power, "imp": power / 18.0, "isc": power / 17.0},
    }
    return Settings.model_validate(base | {"array": [array]})


def times() -> Times:
    return START + np.arange(DAYS * 96, dtype=np.int64) * 15 * MINUTE_MS


def told(watts: np.ndarray, drawn: Settings) -> list[ArrayDay]:
    length = np.full(len(watts), 15 * MINUTE_MS, dtype=np.int64)
    stretch = Stretch(START, START + DAYS * DAY_MS, {"array.a.power": Pieces(times(), length, watts)})
    return [one.day for one in judged(stretch, drawn)["a"]]


def follows_the_sun() -> np.ndarray:
    """170 W of 200 whenever the sun is more than 10° up."""
    path = SunPath(START - DAY_MS, START + (DAYS + 1) * DAY_MS, Place(LATITUDE, 0.0, 0.0))
    return np.where(path.elevation(times() + 7 * MINUTE_MS) > 10.0, 170.0, 0.0)


def lies_south(share: float = 0.8) -> np.ndarray:
    """What a plane of 35° gets from the sun's beam alone, of 200 W."""
    path = SunPath(START - DAY_MS, START + (DAYS + 1) * DAY_MS, Place(LATITUDE, 0.0, 0.0))
    sun = path.at(times() + 7 * MINUTE_MS)
    up, south = (
        np.sin(np.radians(sun.elevation)),
        np.cos(np.radians(sun.elevation)) * np.cos(np.radians(sun.azimuth - 180)),
    )
    beam = np.cos(np.radians(35)) * up + np.sin(np.radians(35)) * south
    return 200.0 * share * np.where(sun.elevation > 0, np.clip(beam, 0.0, None), 0.0)


def findings(days: list[ArrayDay], drawn: Settings) -> list[Finding]:
    return yield_excess.found(History(drawn, days, [], [], [], [], days[-1].stop))


def test_a_plane_that_follows_the_sun_is_told_as_one_that_is_drawn_wrong() -> None:
    """It gives too much at both ends of the day, and not about noon."""
    days = told(follows_the_sun(), settings())
    first = days[0].features[FEATURE]
    assert first["morning"] >= 60 <= first["evening"]
    assert first["noon"] == 0
    (found,) = findings(days, settings())
    assert "in the morning and the evening" in found.summary
    assert "follows the sun" in found.summary
    assert found.causes[0].cause == "wrong-orientation"


def test_a_plane_that_faces_another_way_has_one_end() -> None:
    (found,) = findings(told(lies_south(), settings(azimuth=90.0)), settings(azimuth=90.0))
    assert "in the evening" in found.summary
    assert "the clock is off" in found.summary


def test_a_rating_too_low_shows_about_noon_too() -> None:
    (found,) = findings(told(lies_south(), settings(power=50.0)), settings(power=50.0))
    assert "its size in the settings, or a unit" in found.summary
    assert found.causes[0].cause in ("wrong-setting", "sensor-gain")


def test_an_array_as_drawn_is_never_beyond() -> None:
    days = told(lies_south(), settings())
    assert all(FEATURE not in d.features for d in days)
    assert findings(days, settings()) == []


def test_two_days_are_too_few() -> None:
    days = told(follows_the_sun(), settings())[:2]
    assert findings(days, settings()) == []


def test_a_vessel_that_swings_is_not_tried() -> None:
    """Her clear sky is one for each heading."""
    assert all(FEATURE not in d.features for d in told(follows_the_sun(), settings(moored="swinging")))


@pytest.mark.parametrize("evidence", ["plane", "weather series", "sister arrays"])
def test_where_light_is_known_it_is_told_by_that(evidence: str) -> None:
    days = [replace(d, evidence=evidence) for d in told(follows_the_sun(), settings())]
    assert findings(days, settings()) == []
