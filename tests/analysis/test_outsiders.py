"""Records that another program wrote, by plain pvlib, come out as their writer knows them to be."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.analysis.outsiders import Given, Sky, judged, settings

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
