"""Owns a small Modbus RTU bus on a pseudo-terminal, with units that can be silent, late, noisy or wrong."""

from __future__ import annotations

import os
import struct
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from random import Random

from pymodbus.framer import FramerRTU

from logger.clock import SystemClock

from .times import FakeClock


def crc(frame: bytes) -> bytes:
    return frame + FramerRTU.compute_CRC(frame).to_bytes(2, "big")


class HurriedClock(FakeClock):
    """The real clock, but for waits: these it leaps over."""

    def boot_ns(self) -> int:
        return SystemClock().boot_ns() + super().boot_ns()


@dataclass
class Units:
    """What the units hold, and how they misbehave.

    Attributes
    ----------
    registers : dict of int to dict of int to int
        Node to address to word; an address that is not there is answered with exception 02.
    silent : set of int
        Nodes that hear and do not answer.
    late_s : dict of int to float
        Nodes that take this long.
    wrong_node : set of int
        Nodes whose answer is preceded by one that bears another number.
    refuses : dict of int to int
        Nodes that answer everything with this exception.
    echo : bool
        The adapter repeats what is sent.
    glitch : bytes
        What the adapter makes of turning the line round, before each echo.
    flips : float
        Share of bits that turn on the way back.
    longest : int
        Registers that a unit gives at once; more are answered with exception 03.
    """

    registers: dict[int, dict[int, int]]
    silent: set[int] = field(default_factory=set)
    late_s: dict[int, float] = field(default_factory=dict)
    wrong_node: set[int] = field(default_factory=set)
    refuses: dict[int, int] = field(default_factory=dict)
    echo: bool = False
    flips: float = 0.0
    glitch: bytes = b""
    longest: int = 125
    asked: list[tuple[int, int, int, int]] = field(default_factory=list)
    """Node, function, address, count of every question, in order."""

    def answer(self, node: int, function: int, address: int, count: int) -> bytes:
        there = self.registers[node]
        wanted = range(address, address + count)
        code = self.refuses.get(node) or (3 if count > self.longest else 0 if all(a in there for a in wanted) else 2)
        if code:
            return crc(struct.pack("BBB", node, function | 0x80, code))
        return crc(struct.pack(f">BBB{count}H", node, function, 2 * count, *(there[a] for a in wanted)))


class _Wire:
    def __init__(self, units: Units, end: int) -> None:
        self._units, self._end, self._random = units, end, Random(20)
        self._lock = threading.Lock()
        self.timers: list[threading.Timer] = []

    def run(self) -> None:
        data = b""
        while chunk := self._read():
            if self._units.echo:
                self._say(self._units.glitch + chunk)
            data += chunk
            while len(data) >= 8:
                asked, data = data[:8], data[8:]
                assert crc(asked[:-2]) == asked
                self._asked(*struct.unpack(">BBHH", asked[:6]))

    def _read(self) -> bytes:
        try:
            return os.read(self._end, 4096)
        except OSError:
            return b""

    def _asked(self, node: int, function: int, address: int, count: int) -> None:
        units = self._units
        units.asked.append((node, function, address, count))
        if node in units.silent or node not in units.registers:
            return
        answer = units.answer(node, function, address, count)
        if node in units.wrong_node:
            stranger = bytes([node + 1]) + answer[1:-2]
            answer = crc(stranger) + answer
        if late := units.late_s.get(node):
            timer = threading.Timer(late, self._say, (answer,))
            self.timers.append(timer)
            timer.start()
        else:
            self._say(answer)

    def _say(self, data: bytes) -> None:
        noisy = bytes(
            byte ^ sum(1 << bit for bit in range(8) if self._random.random() < self._units.flips) for byte in data
        )
        with self._lock:
            try:
                os.write(self._end, noisy)
            except OSError:
                return


@contextmanager
def on_a_line(units: Units) -> Iterator[str]:
    """Put the units on a pseudo-terminal; its name."""
    end, near = os.openpty()
    tty.setraw(near)
    wire = _Wire(units, end)
    thread = threading.Thread(target=wire.run)
    thread.start()
    try:
        yield os.ttyname(near)
    finally:
        os.close(near)
        thread.join()
        for timer in wire.timers:
            timer.cancel()
            timer.join()
        os.close(end)
