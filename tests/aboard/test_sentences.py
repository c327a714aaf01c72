"""NMEA 0183 as instruments speak it: a real line, a real logger."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.logger.test_nmea0183 import sentence

from .rig import Aboard, claimed, device, until

pytestmark = pytest.mark.terminal

MASTHEAD = """
[[source]]
name = "masthead"
kind = "nmea0183"
port = "{port}"
[[source.channel]]
field = "latitude"
channel = "site.position.latitude"
[[source.channel]]
field = "heading"
channel = "site.attitude.heading"
[[source.channel]]
field = "XDR U PV0"
channel = "bank.house.voltage"
"""


def test_sentences_on_a_line_are_recorded(tmp_path: Path) -> None:
    """Half a sentence at first, glued ones, one with a flipped bit, a receiver that is 1024 weeks behind."""
    with device(tmp_path / "masthead") as made:
        aboard = Aboard(tmp_path, MASTHEAD.format(port=made.link))
        with aboard.recording() as process:
            until(lambda: claimed(made), "opening")
            made.says(b"131.000,E,1,08*22\r\n")
            made.says(
                sentence("GPRMC,120000,A,4734.800,N,00254.000,W,,,271006,,,A").strip() + sentence("HEHDT,123.4,T")
            )
            made.says(sentence("HEHDT,124.4,T").replace(b"124", b"125"))
            made.says(sentence("IIXDR,C,41.5,C,ENCL0,U,26.40,V,PV0"))
            made.says(sentence("GPRMC,120001,V,,,,,,,271006,,,N"))
            made.says(sentence("IIXDR,U,26.50,V,PV0"))
            until(lambda: len(aboard.values()) == 2, "the readings")
            process.terminate()
            assert process.wait(30) == 0
    assert aboard.values("site.position.latitude") == [pytest.approx(47.58)]
    assert aboard.values("site.attitude.heading") == [123.4]
    assert aboard.values() == [26.4, 26.5]
    assert aboard.reasons() == ["first line after opening", "check does not match"]
    (told,) = aboard.events("week rollover")
    assert "2006-10-27" in told
