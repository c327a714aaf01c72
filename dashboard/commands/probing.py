"""Owns reading the registers of a unit for ``listen``, and showing what they can mean."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from dashboard.commands.options import print_json

if TYPE_CHECKING:
    from logger.plan import SourcePlan
    from logger.register_guessing import Candidate
    from logger.sources.modbus_wire import Wire

TCP = "tcp://"
_NO_FUNCTION = 1
_GIVE_UP = 3
_ORDERS = {("big", "big"): "", ("big", "little"): "low word first", ("little", "big"): "bytes turned"}


class RegisterRange(click.ParamType):
    """``FIRST-LAST``, or one address."""

    name = "range"

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> range:
        first, _, last = str(value).partition("-")
        try:
            found = range(int(first), int(last or first) + 1)
        except ValueError:
            found = range(0)
        if not found or found[0] < 0 or found[-1] > 65_535 or len(found) > 1000:
            self.fail(f"{value!r} is no range of at most 1000 addresses from 0 to 65535, for instance 0-19", param, ctx)
        return found


@dataclass(frozen=True, slots=True)
class Probe:
    """What is to be read.

    Attributes
    ----------
    line : str
        A device, a URL that pyserial takes, or ``tcp://HOST:PORT``.
    name : str
        The same by a name that stays, for the settings.
    speeds : tuple of int
        Tried one after the other, where it is a serial line.
    parity : str
    node, function : int
    addresses : range
    timeout_s : float
    """

    line: str
    name: str
    speeds: tuple[int, ...]
    parity: str
    node: int
    function: int
    addresses: range
    timeout_s: float


def probe(asked: Probe, as_json: bool) -> None:
    """Read the registers, show every plausible reading of each, propose a ``[[source]]``."""
    from logger.register_guessing import candidates, likeliest, proposal

    plan, words = _read(asked)
    found = candidates(words, asked.node, asked.function)
    block = proposal(likeliest(found), _where(plan, asked.name))
    if as_json:
        print_json(
            {
                "line": asked.line,
                "baud": None if plan.host else plan.baud,
                "node": asked.node,
                "function": asked.function,
                "registers": [
                    {"address": address, "word": words[address], "readings": [_entry(one) for one in readings]}
                    for address, readings in found.items()
                ],
                "proposal": block,
            }
        )
        return
    speed = "" if plan.host else f", at {plan.baud} baud"
    click.echo(f"\nNode {asked.node}{speed}. Compare with what the unit shows, or with your meter:", err=True)
    for address, readings in found.items():
        click.echo(f"    {address:>5}  0x{words[address]:04X}  {'; '.join(map(_said, readings))}", err=True)
    click.echo("\nFor the settings file. Choose the name, each channel, and the reading that fits:\n", err=True)
    click.echo(block, nl=False)


def _said(one: Candidate) -> str:
    order = _ORDERS.get((one.register.byte_order, one.register.word_order), "bytes turned, low word first")
    return f"{one.text} {one.register.type}{f' ({order})' if order else ''}"


def _entry(one: Candidate) -> dict[str, object]:
    register = one.register
    orders = {"byte_order": register.byte_order, "word_order": register.word_order}
    return {"type": register.type, **orders, "value": one.value}


def _where(plan: SourcePlan, name: str) -> dict[str, str | int]:
    if plan.host:
        return {"host": plan.host, "tcp_port": plan.tcp_port}
    return {"port": name, "baud": plan.baud, "parity": plan.parity}


def _read(asked: Probe) -> tuple[SourcePlan, dict[int, int]]:
    """The first speed at which the unit answers, and its registers; those that it does not have are left out."""
    from logger.errors import LineFault
    from logger.sources.modbus_wire import wire

    for plan in _plans(asked):
        with closing(wire(plan)) as opened:
            opened.open()
            if _answers(opened, asked):
                words = dict(_words(opened, asked))
                if words:
                    return plan, words
                raise LineFault(
                    f"{asked.line}: node {asked.node} answers, but has none of these registers by function "
                    f"{asked.function}; try the other function, or another range"
                )
        if not plan.host:
            click.echo(f"{plan.baud} baud: nothing", err=True)
    raise LineFault(
        f"{asked.line}: node {asked.node} does not answer; is it on, its number and parity right, A and B not swapped?"
    )


def _plans(asked: Probe) -> Iterator[SourcePlan]:
    from logger.errors import UsageError
    from logger.plan import SourcePlan

    if asked.line.startswith(TCP):
        host, _, port = asked.line.removeprefix(TCP).rstrip("/").rpartition(":")
        if not port.isdecimal():
            host, port = f"{host}{port}", "502"
        if not host or not 1 <= int(port) <= 65_535:
            raise UsageError(f"{asked.line}: write {TCP}HOST or {TCP}HOST:PORT")
        yield SourcePlan("listen", "modbus", (), host=host, tcp_port=int(port), timeout_s=asked.timeout_s)
        return
    for baud in asked.speeds:
        yield SourcePlan(
            "listen", "modbus", (), port=asked.line, baud=baud, parity=asked.parity, timeout_s=asked.timeout_s
        )


def _answers(opened: Wire, asked: Probe) -> bool:
    """Whether the unit says anything at all, be it a refusal."""
    from logger.exchange import Question

    return opened.ask(Question(asked.node, asked.function, asked.addresses[0], 1)).sound


def _words(opened: Wire, asked: Probe) -> Iterator[tuple[int, int]]:
    """Registers one by one: slower than a joined read, and a hole in the map takes no neighbour with it."""
    from logger.exchange import Question, unpacked

    silent = 0
    for address in asked.addresses:
        answer = opened.ask(Question(asked.node, asked.function, address, 1))
        silent = 0 if answer.sound else silent + 1
        if answer.exception == _NO_FUNCTION or silent == _GIVE_UP:
            return
        exchange = unpacked(answer.exchange)
        if answer.sound and not answer.exception and exchange:
            yield address, struct.unpack(">H", exchange[1][3:5])[0]
