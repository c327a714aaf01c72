"""Settings of a Modbus and of 1-Wire: every mistake in a sentence, and the plan that comes of what is right."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.plan import Plan, RegisterPlan
from logger.settings_file import parse, plan, read

from .test_settings_file import BASE, CSV, ENTRY, SERIAL, problems

BANK = '[bank]\nname = "house"\n'
BUS = '[[source]]\nname = "b"\nkind = "modbus"\n{}\n'
RTU, TCP = BUS.format('port = "/dev/ttyUSB1"'), BUS.format('host = "10.0.0.5"')
REGISTER = '[[source.channel]]\nchannel = "bank.house.voltage"\n{}\n'
PROBE = '[[source]]\nname = "p"\nkind = "onewire"\n[[source.channel]]\n{}\nchannel = "bank.house.temperature"\n'
AT = "source 'b', channel 'bank.house.voltage'"

MISTAKES = {
    "no way to the bus": (
        BUS.format("") + REGISTER.format("address = 1"),
        'source \'b\': kind "modbus" needs either port, for instance port = "/dev/serial/by-id/...", or host, for '
        'instance host = "192.168.1.40"',
    ),
    "two ways to the bus": (
        BUS.format('port = "/dev/ttyUSB1"\nhost = "10.0.0.5"') + REGISTER.format("address = 1"),
        'source \'b\': kind "modbus" needs either port, for instance port = "/dev/serial/by-id/...", or host, for '
        'instance host = "192.168.1.40"',
    ),
    "port in the host": (
        BUS.format('host = "10.0.0.5:502"') + REGISTER.format("address = 1"),
        "source 'b', host = \"10.0.0.5:502\": should be a name or an address alone; the port goes under tcp_port "
        '(for instance host = "192.168.1.40")',
    ),
    "no address": (
        RTU + REGISTER.format(""),
        f"{AT}, address: required (for instance address = 107; counted from 0, as on the wire)",
    ),
    "a field on a bus": (
        RTU + REGISTER.format("address = 1\nfield = 1"),
        f'{AT}, field = 1: kind "modbus" takes node and address in its place',
    ),
    "address out of the map": (
        RTU + REGISTER.format("address = 65536"),
        f"{AT.replace(', channel', ', channel')}, address = 65536: must be at most 65535 (for instance address = 107)",
    ),
    "half a float": (
        RTU + REGISTER.format('address = 65535\ntype = "float32"'),
        f'{AT}, address = 65535: type "float32" takes two registers, and this is the last',
    ),
    "count and type at odds": (
        RTU + REGISTER.format('address = 1\ncount = 2\ntype = "int16"'),
        f'{AT}, count = 2: type "int16" takes 1; one of the two is wrong',
    ),
    "broadcast": (RTU + REGISTER.format("address = 1\nnode = 0"), f"{AT}, node = 0: on a serial line units are "),
    "type of another name": (
        RTU + REGISTER.format('address = 1\ntype = "int8"'),
        f'{AT}, type = "int8": should be "int16", "uint16", "int32", "uint32" or "float32"',
    ),
    "a coil": (RTU + REGISTER.format("address = 1\nfunction = 1"), f"{AT}, function = 1: should be 3 or 4"),
    "a register on a line": (
        SERIAL + ENTRY + "address = 1\ntype = 'int16'\n",
        "source 's', channel 'irradiance.horizontal.global': address, type belong to kind \"modbus\" alone",
    ),
    "no field on a line": (
        SERIAL + ENTRY.replace("field = 1\n", ""),
        "source 's', channel 'irradiance.horizontal.global', field: required (for instance field = 1)",
    ),
    "no field in a file": (
        CSV + 'time = { field = "t" }\n' + ENTRY.replace("field = 1\n", ""),
        "source 's', channel 'irradiance.horizontal.global', field: required (for instance field = 1)",
    ),
    "no sensor": (
        PROBE.format(""),
        "source 'p', channel 'bank.house.temperature', field: required (for instance field = \"28-000005e2fdc3\")",
    ),
    "no sensor's name": (
        PROBE.format('field = "28-../../etc"'),
        "source 'p', channel 'bank.house.temperature', field = \"28-../../etc\": kind \"onewire\" takes the sensor's "
        'folder, for instance field = "28-000005e2fdc3"',
    ),
    "one line for two": (
        SERIAL.replace("ttyUSB0", "ttyUSB1") + ENTRY + RTU + REGISTER.format("address = 1"),
        "source 'b', port = \"/dev/ttyUSB1\": source 's' reads that line already",
    ),
}


@pytest.mark.parametrize("case", MISTAKES)
def test_a_mistake_is_one_sentence(case: str) -> None:
    """What, where, and what to write instead; nothing else is said."""
    text, said = MISTAKES[case]
    (problem,) = problems(BASE + BANK + text)
    assert problem.startswith(said)


def test_a_register_becomes_part_of_the_plan(tmp_path: Path) -> None:
    """Where it lies and how it is read; scale and unit as elsewhere; all of it through JSON."""
    path = tmp_path / "noonmark.toml"
    place = 'node = 5\naddress = 8\nfunction = 4\ntype = "int32"\ncount = 2\nword_order = "little"\n'
    keys = place + 'scale = 0.1\nunit = "mV"'
    path.write_text(BASE + BANK + RTU + REGISTER.format(keys), encoding="utf-8")
    made = plan(read(path))
    (entry,) = made.sources[0].channels
    assert entry.register == RegisterPlan(5, 4, 8, "int32", "big", "little")
    assert entry.scale == pytest.approx(1e-4)
    assert entry.field == "input 8 of node 5 (int32, word little)"
    assert Plan.from_json(made.to_json()) == made


def test_a_source_that_is_asked_is_not_unheard_between_askings(tmp_path: Path) -> None:
    """Three askings count for more than the seconds that are declared."""
    path = tmp_path / "noonmark.toml"
    path.write_text(BASE + BANK + TCP + "every_s = 300\n" + REGISTER.format("address = 1"), encoding="utf-8")
    assert plan(read(path)).sources[0].unheard_after_s == 900
    path.write_text(BASE + BANK + TCP + REGISTER.format("address = 1\nnode = 0"), encoding="utf-8")
    assert plan(read(path)).sources[0].unheard_after_s == 60


def test_the_sensors_folder_starts_at_the_settings(tmp_path: Path) -> None:
    """As every relative path; the kernel's own is absolute."""
    path = tmp_path / "noonmark.toml"
    text = BASE + BANK + PROBE.format('field = "28-000005e2fdc3"')
    path.write_text(text, encoding="utf-8")
    assert plan(read(path)).sources[0].folder == "/sys/bus/w1/devices"
    path.write_text(text.replace('"onewire"', '"onewire"\nfolder = "devices"'), encoding="utf-8")
    assert plan(read(path)).sources[0].folder == str(tmp_path / "devices")


@pytest.mark.parametrize("host", ["gateway", "gateway.local", "10.0.0.5", "fd00::5", "::1"])
def test_hosts_by_name_and_number(host: str) -> None:
    """Names, and addresses of both kinds."""
    text = BASE + BANK + TCP.replace("10.0.0.5", host) + REGISTER.format("address = 1")
    assert parse(text).source[0].host == host
