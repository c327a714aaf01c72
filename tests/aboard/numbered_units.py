"""Owns units on a Modbus over TCP in a process of their own, which may be killed: they number their answers.

python -m tests.aboard.numbered_units PORT FILE UNITS

Each unit holds its number in registers 0 and 1, the high word first, and other values in the six after them. The
number of an answer is in FILE, which the process maps, before the answer leaves: so it is known whatever becomes of
the process.
"""

from __future__ import annotations

import asyncio
import mmap
import random
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

_NUMBER = struct.Struct("<I")


class NumberedUnits:
    """Starts them, kills them, starts them again at the same port; they go on counting where they were.

    Parameters
    ----------
    port : int
    file : Path
        For the numbers.
    units : int
        With addresses from 1 on.
    """

    def __init__(self, port: int, file: Path, units: int) -> None:
        self.port = port
        self._file, self._units = file, units
        file.write_bytes(bytes(_NUMBER.size * units))
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        command = [sys.executable, "-m", "tests.aboard.numbered_units", str(self.port), str(self._file)]
        self._process = subprocess.Popen([*command, str(self._units)], stdin=subprocess.DEVNULL)

    def kill(self) -> None:
        """With signal 9, whatever it is at."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def numbers(self) -> list[int]:
        """Of the last answer of each unit."""
        return [number for (number,) in _NUMBER.iter_unpack(self._file.read_bytes())]


def _numbering(numbers: mmap.mmap, place: int) -> Callable[..., object]:
    rng = random.Random(place)

    async def answer(
        function: int, start: int, address: int, count: int, registers: list[int], written: object
    ) -> ExcCodes | None:
        (last,) = _NUMBER.unpack_from(numbers, place)
        _NUMBER.pack_into(numbers, place, last + 1)
        registers[:] = [(last + 1) >> 16, (last + 1) & 0xFFFF, *(rng.randrange(1000) for _ in range(6))]
        return None

    return answer


def _serve(port: int, file: Path, units: int) -> None:
    with file.open("r+b") as opened, mmap.mmap(opened.fileno(), 0) as numbers:
        holds = SimData(0, values=[0] * 8, datatype=DataType.REGISTERS)
        devices = [
            SimDevice(node, simdata=[holds], action=_numbering(numbers, _NUMBER.size * (node - 1)))
            for node in range(1, units + 1)
        ]

        async def run() -> None:
            await ModbusTcpServer(devices, address=("127.0.0.1", port)).serve_forever()

        asyncio.run(run())


if __name__ == "__main__":
    _serve(int(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]))
