"""``noonmark record`` with what speaks only when asked: a Modbus, and thermometers on 1-Wire."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.logger.modbus_servers import device, over_serial, over_tcp

from .lean import NEVER, WATCHED, imported
from .rig import Aboard, until

pytestmark = pytest.mark.terminal

BUS = """
[[source]]
name = "bus"
kind = "modbus"
{where}
every_s = 0.2
timeout_s = 5
[[source.channel]]
node = 7
address = 1
channel = "bank.house.voltage"
unit = "cV"
[[source.channel]]
node = 7
address = 100
type = "float32"
channel = "bank.house.current"
"""

PROBE = """
[[source]]
name = "probe"
kind = "onewire"
folder = "devices"
every_s = 0.2
[[source.channel]]
field = "28-000005e2fdc3"
channel = "bank.house.temperature"
"""

UNIT = device(7, words=[0, 2641], number=12.5)


def recorded(tmp_path: Path, where: str) -> set[str]:
    """Record until both values are in the store; what the logging process imported."""
    aboard = Aboard(tmp_path, BUS.format(where=where))
    with aboard.recording(**WATCHED) as process:
        until(lambda: len(aboard.values()) > 2 and aboard.values("bank.house.current"), "readings")
        process.terminate()
        assert process.wait(30) == 0
    assert aboard.values() == pytest.approx([26.41] * len(aboard.values()))
    assert set(aboard.values("bank.house.current")) == {12.5}
    assert aboard.reasons() == []
    assert aboard.events("state") == ["reading: readings come in"]
    return imported(aboard)


def test_a_unit_over_tcp(tmp_path: Path) -> None:
    """Read by its settings, in the vocabulary's units; what the framing brings along is no table library either."""
    with over_tcp(UNIT) as port:
        found = recorded(tmp_path, f'host = "127.0.0.1"\ntcp_port = {port}')
    assert "pymodbus.framer" in found
    assert not found & NEVER


def test_a_unit_on_a_serial_line(tmp_path: Path) -> None:
    """The same on a pseudo-terminal."""
    with over_serial(UNIT) as name:
        recorded(tmp_path, f'port = "{name}"\nbaud = 19200')


def test_a_thermometer(tmp_path: Path) -> None:
    """A folder beside the settings; without a bus nothing of Modbus is loaded."""
    sensor = tmp_path / "devices" / "28-000005e2fdc3"
    sensor.mkdir(parents=True)
    (sensor / "w1_slave").write_text(
        "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n", encoding="ascii"
    )
    aboard = Aboard(tmp_path, PROBE)
    with aboard.recording(**WATCHED) as process:
        until(lambda: aboard.values("bank.house.temperature"), "readings")
        process.terminate()
        assert process.wait(30) == 0
    assert set(aboard.values("bank.house.temperature")) == {23.125}
    assert not any("pymodbus" in row for row in aboard.messages())
