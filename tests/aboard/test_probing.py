"""``noonmark listen --registers`` with real servers."""

from __future__ import annotations

import json
import tomllib

import pytest

from logger.settings import Source
from tests.logger.modbus_servers import device, over_serial, over_tcp

from .test_listening import listen

UNIT = device(3, words=[131, 65515, 0], number=12.6)


def test_a_unit_over_tcp() -> None:
    """Every register with what it can mean goes to the eyes, the block alone to standard output."""
    with over_tcp(UNIT) as port:
        done = listen(f"tcp://127.0.0.1:{port}", "--node", "3", "--registers", "0-5")
    assert done.returncode == 0, done.stderr
    block = tomllib.loads(done.stdout)["source"][0]
    assert (block["kind"], block["host"], block["tcp_port"]) == ("modbus", "127.0.0.1", port)
    # Registers 3 to 5 are not there, and are no fault.
    assert [entry["address"] for entry in block["channel"]] == [0, 1, 2]
    assert "65515 uint16; " in done.stderr
    assert "-21 int16" in done.stderr
    for entry in block["channel"]:
        entry["channel"] = "bank.house.voltage"
    Source.model_validate(block)


def test_the_same_as_json() -> None:
    """A float at 100 in the standard's order: it is among the readings, with its order."""
    with over_tcp(UNIT) as port:
        done = listen(f"tcp://127.0.0.1:{port}", "--node", "3", "--registers", "100-101", "--json")
    said = json.loads(done.stdout)
    assert said["registers"][0]["word"] == 0x4149
    float_ = {"type": "float32", "byte_order": "big", "word_order": "big", "value": pytest.approx(12.6, rel=1e-6)}
    assert float_ in said["registers"][0]["readings"]
    assert tomllib.loads(said["proposal"])["source"][0]["channel"][0]["type"] == "float32"


@pytest.mark.terminal
def test_a_unit_on_a_serial_line() -> None:
    """The speed and the parity that it answered at stand in the block."""
    with over_serial(UNIT) as name:
        done = listen(name, "--baud", "19200", "--node", "3", "--registers", "0")
    assert done.returncode == 0, done.stderr
    block = tomllib.loads(done.stdout)["source"][0]
    assert (block["port"], block["baud"], block["parity"]) == (name, 19200, "none")


@pytest.mark.terminal
def test_a_unit_that_does_not_answer() -> None:
    """Said with what to look at; a unit that answers and has nothing there is told apart."""
    with over_serial(UNIT) as name:
        done = listen(name, "--baud", "19200", "--node", "3", "--registers", "400-402", "--seconds", "0.5")
        assert done.returncode == 1
        assert "node 3 answers, but has none of these registers by function 3" in done.stderr
    with over_tcp() as port:
        done = listen(f"tcp://127.0.0.1:{port}", "--registers", "0", "--seconds", "0.2")
    assert done.returncode == 1
    assert "does not answer; is it on" in done.stderr or "none of these registers" in done.stderr


@pytest.mark.parametrize("registers", ["5-3", "x", "0-70000", "-4"])
def test_a_range_that_is_none(registers: str) -> None:
    """Usage, with an example."""
    done = listen("/dev/null", f"--registers={registers}")
    assert done.returncode == 2
    assert "is no range of at most 1000 addresses" in done.stderr
