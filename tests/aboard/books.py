"""Owns what the kernel's own books say of a process."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path


def cpu_s(pid: int) -> float:
    """Processor time that it has had [s]."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def written(pid: int) -> int:
    """Bytes that it has caused to be written."""
    found = re.search(r"^write_bytes: (\d+)", Path(f"/proc/{pid}/io").read_text(encoding="ascii"), re.M)
    return int(found[1]) if found else 0


def resident_mb(pid: int, mark: str = "VmRSS") -> float:
    """What of it is in memory [MB]; with ``VmHWM`` the most there ever was."""
    found = re.search(rf"{mark}:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text(encoding="ascii"))
    return int(found[1]) / 1000 if found else 0.0


def mapped(pid: int, names: Iterable[str]) -> list[str]:
    """Those of some packages of which it has compiled parts in memory."""
    files = Path(f"/proc/{pid}/maps").read_text(encoding="utf-8")
    return [name for name in names if re.search(rf"site-packages/_?{name}", files)]
