"""Owns guessing what the registers of a strange unit hold: every plausible reading, and a proposal for the settings."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass

from logger.decoders.registers import value
from logger.guessing import PLACEHOLDER
from logger.plan import RegisterPlan
from logger.settings_mistakes import toml

SMALLEST, LARGEST = 1e-3, 1e7
"""Magnitudes that a quantity may have in any unit: common practice, no source."""
USUAL = 0.01, 1e5
"""Magnitudes that most have in their usual unit: common practice, no source."""

_SINGLE = ("uint16", "int16")
_DOUBLE = ("float32", "int32", "uint32")
_ORDERS = tuple(itertools.product(("big", "little"), repeat=2))


@dataclass(frozen=True, slots=True)
class Candidate:
    """One way to read a value.

    Attributes
    ----------
    register : RegisterPlan
    value : float
        What stands there, read so.
    """

    register: RegisterPlan
    value: float

    @property
    def text(self) -> str:
        """Whole numbers whole, floats with the figures that they hold."""
        return f"{self.value:.7g}" if self.register.type == "float32" else str(int(self.value))


def candidates(words: Mapping[int, int], node: int, function: int) -> dict[int, list[Candidate]]:
    """Every plausible reading of the value that begins at each address.

    Parameters
    ----------
    words : mapping of int to int
        Address to register, as the unit sent them.
    node, function : int

    Returns
    -------
    dict of int to list of Candidate
        For each address: the unsigned and, where it differs, the signed reading in both byte orders; and with the next
        register the float and the whole numbers in all four orders, so far as a quantity could be so large or small.
        Zero is read in one way alone.
    """
    return {address: _at(words, address, node, function) for address in sorted(words)}


def _at(words: Mapping[int, int], address: int, node: int, function: int) -> list[Candidate]:
    if address + 1 in words:
        kinds = [(kind, orders) for kind in _SINGLE + _DOUBLE for orders in _ORDERS]
    else:
        kinds = [(kind, orders) for kind in _SINGLE for orders in _ORDERS]
    found: list[Candidate] = []
    seen: set[tuple[int, float]] = set()
    for kind, (byte_order, word_order) in kinds:
        register = RegisterPlan(node, function, address, kind, byte_order, word_order)
        number = value([words[address + i] for i in range(register.width)], register)
        if (register.width, number) not in seen and _plausible(number, kind):
            seen.add((register.width, number))
            found.append(Candidate(register, number))
    return found


def _plausible(number: float, kind: str) -> bool:
    if not math.isfinite(number):
        return False
    return kind in _SINGLE or number == 0 or SMALLEST <= abs(number) <= LARGEST


def likeliest(found: Mapping[int, list[Candidate]]) -> list[Candidate]:
    """One reading for each register: a float where it can well be one in a single order, else a whole number."""
    chosen: list[Candidate] = []
    taken = -1
    for address, options in found.items():
        if address <= taken:
            continue
        floats = [one for one in options if one.register.type == "float32" and USUAL[0] <= abs(one.value) <= USUAL[1]]
        choice = floats[0] if len(floats) == 1 else options[0]
        chosen.append(choice)
        taken = address + choice.register.width - 1
    return chosen


def proposal(chosen: list[Candidate], where: Mapping[str, str | int]) -> str:
    """A ``[[source]]`` block for the settings, its channels left for a person to choose.

    Parameters
    ----------
    chosen : list of Candidate
        From `likeliest`.
    where : mapping
        The keys that say where the bus is, as they are written: port, baud and parity, or host and tcp_port.
    """
    rows = ["[[source]]", 'name = "wheelhouse bus"         # choose a name', 'kind = "modbus"']
    rows += [f"{key} = {toml(one)}" for key, one in where.items()]
    for candidate in chosen:
        register = candidate.register
        rows += [
            "[[source.channel]]",
            f"node = {register.node}",
            f"address = {register.address:<21} # last sent: {candidate.text}",
            f'type = "{register.type}"',
        ]
        rows += [f"function = {register.function}"] if register.function != 3 else []
        rows += [f'{key} = "little"' for key in ("byte_order", "word_order") if getattr(register, key) == "little"]
        rows += [
            f'channel = "{PLACEHOLDER}"    # for instance "bank.house.voltage"; delete the block if it is not wanted'
        ]
    return "\n".join(rows) + "\n"
