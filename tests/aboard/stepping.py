"""Owns a lean logger whose wall clock somebody sets: a real process, its other clock and all else the machine's own.

python -m tests.aboard.stepping OFFSET_FILE --plan-fd N
"""

from __future__ import annotations

import os
import struct
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from logger import settings_file
from logger.__main__ import read_plan, run
from logger.clock import SystemClock

from .rig import Aboard

_SAID = struct.Struct("<q?")


class SetClock(SystemClock):
    """The machine's clock, as far off as a file says, and vouched for where it says so."""

    def __init__(self, file: Path) -> None:
        self._descriptor = os.open(file, os.O_RDONLY)

    def _said(self) -> tuple[int, bool]:
        off_ms, vouched = _SAID.unpack(os.pread(self._descriptor, _SAID.size, 0))
        return off_ms, vouched

    def now_ms(self) -> int:
        return super().now_ms() + self._said()[0]

    def synchronised_ms(self) -> int | None:
        return 0 if self._said()[1] else None


class Hand:
    """Whoever sets that clock."""

    def __init__(self, file: Path) -> None:
        self.file = file

    def sets(self, off_s: float, vouched: bool) -> None:
        """Both at once: a file of nine bytes is written in one piece."""
        descriptor = os.open(self.file, os.O_WRONLY | os.O_CREAT, 0o600)
        try:
            os.pwrite(descriptor, _SAID.pack(round(off_s * 1000), vouched), 0)
        finally:
            os.close(descriptor)


@contextmanager
def set_logger(aboard: Aboard, hand: Hand) -> Iterator[subprocess.Popen[bytes]]:
    """The lean logger on a clock that is set by hand."""
    descriptor = os.memfd_create("plan")
    os.write(descriptor, settings_file.plan(settings_file.read(aboard.settings)).to_json().encode())
    os.lseek(descriptor, 0, os.SEEK_SET)
    command = [sys.executable, "-m", "tests.aboard.stepping", str(hand.file), "--plan-fd", str(descriptor)]
    with (
        aboard.said.open("ab") as said,
        subprocess.Popen(command, pass_fds=[descriptor], stderr=said, stdin=subprocess.DEVNULL) as process,
    ):
        os.close(descriptor)
        try:
            yield process
        finally:
            process.kill()


if __name__ == "__main__":
    sys.exit(run(read_plan(int(sys.argv[3])), SetClock(Path(sys.argv[1]))))
