"""What a register map shows before anything is asked."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from analysis.hazards import Hazard, hazards
from dashboard.drawing import words
from logger.settings_file import parse

from .test_hazards import BASE, array, controller

BUS = """
[[source]]
name = "{name}"
kind = "modbus"
{where}
"""
ENTRY = """
[[source.channel]]
node = {node}
address = {address}
type = "{type}"
channel = "{channel}"
{more}
"""


def bus(*entries: str, name: str = "bus", where: str = 'port = "/dev/ttyUSB0"') -> str:
    return BUS.format(name=name, where=where) + "".join(entries)


def entry(address: int, channel: str, kind: str = "uint16", node: int = 1, more: str = "") -> str:
    return ENTRY.format(node=node, address=address, type=kind, channel=channel, more=more)


def found(text: str, rule: str) -> list[Hazard]:
    everything = hazards(parse(BASE + text), dt.date(2026, 6, 1))
    return [hazard for hazard in everything if hazard.rule == rule]


def test_registers_read_in_two_ways() -> None:
    """A float and a whole number that share a register; the one register for two channels alike is meant so."""
    volts, amps = "bank.house.voltage", "bank.house.current"
    (hazard,) = found(bus(entry(10, volts, "float32"), entry(11, amps)), "registers-overlap")
    assert (hazard.subject, hazard.priority) == ("source.bus", "medium")
    assert (hazard.evidence["node"], hazard.evidence["address"]) == (1, 11)
    orders = bus(entry(10, volts, "float32"), entry(10, amps, "float32", more='word_order = "little"'))
    assert found(orders, "registers-overlap")
    assert not found(bus(entry(10, volts), entry(10, amps)), "registers-overlap")
    assert not found(bus(entry(10, volts, "float32"), entry(12, amps)), "registers-overlap")
    assert not found(bus(entry(10, volts, "float32"), entry(11, amps, node=2)), "registers-overlap")
    assert not found(bus(entry(10, volts, "float32"), entry(11, amps, more="function = 4")), "registers-overlap")


def test_one_number_for_two_controllers() -> None:
    """Two of a kind left at the number they came with. An array counts for its controller."""
    gantry = controller(name="gantry")
    cabin_in, cabin_out = entry(0, "array.cabin.voltage"), entry(1, "controller.cabin.output_voltage")
    gantry_out = entry(2, "controller.gantry.output_voltage")
    text = array() + controller() + gantry
    (hazard,) = found(text + bus(cabin_in, cabin_out, gantry_out), "node-shared")
    assert hazard.evidence == {"node": 1, "controllers": ["cabin", "gantry"]}
    assert not found(text + bus(cabin_in, cabin_out), "node-shared")
    other = entry(2, "controller.gantry.output_voltage", node=2)
    assert not found(text + bus(cabin_in, cabin_out, other), "node-shared")


@pytest.mark.parametrize(
    ("address", "function", "meant"),
    [(40_001, 3, 0), (40_108, 3, 107), (30_009, 4, 8), (40_001, 4, None), (40_000, 3, None), (107, 3, None)],
)
def test_a_sheets_number_is_recognised(address: int, function: int, meant: int | None) -> None:
    """40108 is holding register 108, on the wire 107 (MODBUS Application Protocol V1.1b3, 4.4 and 6.3)."""
    told = found(bus(entry(address, "bank.house.voltage", more=f"function = {function}")), "sheet-number")
    assert [hazard.evidence["meant"] for hazard in told] == ([] if meant is None else [meant])


def test_one_gateway_under_two_sources() -> None:
    """By host and port."""
    volts, amps = entry(0, "bank.house.voltage"), entry(1, "bank.house.current")
    one = bus(volts, name="one", where='host = "10.0.0.5"')
    assert found(one + bus(amps, name="two", where='host = "10.0.0.5"'), "gateway-twice")
    assert not found(one + bus(amps, name="two", where='host = "10.0.0.5"\ntcp_port = 503'), "gateway-twice")


@pytest.mark.parametrize(
    ("rule", "evidence"),
    [
        (
            "registers-overlap",
            {"node": 1, "address": 11, "one": "a", "one_type": "float32", "other": "b", "other_type": "int16"},
        ),
        ("node-shared", {"node": 1, "controllers": ["cabin", "gantry"]}),
        ("sheet-number", {"address": 40_108, "function": 3, "meant": 107, "channels": 2}),
        ("gateway-twice", {"first": "one", "host": "10.0.0.5"}),
    ],
)
def test_each_has_its_words(rule: str, evidence: dict[str, Any]) -> None:
    """What, and what to do."""
    said = words(Hazard(rule, "source.bus", "low", evidence))
    assert said.what
    assert said.do
