"""The logging process is lean: what it imports and maps after its exec, on the real process."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.logger.modbus_servers import over_tcp
from tests.logger.test_nmea0183 import sentence

from .books import resident_mb
from .broker import real_broker
from .lean import NEVER, ON_DEMAND, WATCHED, heavy_files, imported
from .rig import Aboard, claimed, device, heard_from_the_start, source, until
from .test_broker import GAUGES
from .test_polled import BUS, UNIT
from .test_sentences import MASTHEAD


@pytest.mark.terminal
def test_a_serial_line_brings_pyserial_alone(tmp_path: Path) -> None:
    """Same process id after the exec: standard library and pyserial, at most 30 MB resident.

    What other sources need, for sentences or for a broker, stays out where no such source is in the settings.
    """
    with device(tmp_path / "cabin-controller") as made:
        aboard = Aboard(tmp_path, source(made))
        with aboard.recording(**WATCHED) as process:
            heard_from_the_start(made)
            made.says(b"V=13.1,I=4.2\n")
            until(aboard.values, "a reading")
            heavy, resident = heavy_files(process), resident_mb(process.pid)
            process.terminate()
            assert process.wait(30) == 0
    assert heavy == []
    assert resident <= 30
    found = imported(aboard)
    assert {"logger.writer", "logger.collector", "serial", "sqlite3"} <= found
    assert not found & (NEVER | ON_DEMAND)


def _elsewhere(text: str, current: str, voltage: str) -> str:
    return text.replace("bank.house.current", current).replace("bank.house.voltage", voltage)


@pytest.mark.terminal
@pytest.mark.broker
def test_every_kind_of_line_brings_its_library_and_no_more(tmp_path: Path) -> None:
    """With a bus, sentences and a broker beside it the process has their libraries, and none of the analysis."""
    with (
        device(tmp_path / "cabin-controller") as cabin,
        device(tmp_path / "masthead") as masthead,
        over_tcp(UNIT) as port,
        real_broker(tmp_path) as broker,
    ):
        aboard = Aboard(
            tmp_path,
            source(cabin),
            _elsewhere(
                BUS.format(where=f'host = "127.0.0.1"\ntcp_port = {port}'), "load.bus.current", "wind.bus.voltage"
            ),
            _elsewhere(MASTHEAD.format(port=masthead.link), "load.mast.current", "wind.mast.voltage"),
            _elsewhere(GAUGES.format(address=broker.address, more=""), "load.gauges.current", "wind.gauges.voltage"),
        )
        with aboard.recording(**WATCHED) as process:
            heard_from_the_start(cabin)
            until(lambda: claimed(masthead), "opening")
            broker.subscribed()
            cabin.says(b"V=13.1,I=4.2\n")
            masthead.says(b"\r\n" + sentence("HEHDT,123.4,T"))
            broker.say("barge/volts", "26.4")
            for name in ("bank.house.voltage", "wind.bus.voltage", "wind.gauges.voltage", "site.attitude.heading"):
                until(lambda name=name: aboard.values(name), name)
            heavy = heavy_files(process)
            process.terminate()
            assert process.wait(30) == 0
    assert heavy == []
    found = imported(aboard)
    assert {"pymodbus.framer", "pynmea2", "paho.mqtt.client", "serial"} <= found
    assert not found & NEVER


def test_the_lean_modules_import_nothing_heavy() -> None:
    """The same by the interpreter's own word."""
    code = "import logger.__main__, sys; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True)
    assert not set(done.stdout.split()) & (NEVER | ON_DEMAND)
