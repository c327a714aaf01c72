"""Owns the look at what a logging process has imported and mapped since its exec, and what it may never have."""

from __future__ import annotations

import subprocess
from pathlib import Path

from .rig import Aboard

# What no logging process imports, whatever its sources are.
NEVER = {
    *("pandas", "numpy", "scipy", "pyarrow", "sqlite_utils", "dash", "pydantic", "pydantic_core", "click"),
    *("plotly", "flask", "pvlib", "logger.settings", "logger.schema", "logger.settings_file"),
}
# What comes with a source of its kind alone.
ON_DEMAND = {
    *("pymodbus", "asyncio", "pynmea2", "paho", "paho.mqtt.client"),
    *("logger.broker", "logger.decoders.nmea0183", "logger.sources.modbus_bus"),
}
WATCHED = {"PYTHONPROFILEIMPORTTIME": "1"}


def imported(aboard: Aboard) -> set[str]:
    """Modules, from the messages of a ``record`` that ran with `WATCHED` in its environment.

    The interpreter prints what it imports; what follows the last heading was imported after the exec.
    """
    rows = aboard.messages()
    last = max(n for n, row in enumerate(rows) if row.startswith("import time: self [us]"))
    return {row.rpartition("|")[2].strip() for row in rows[last:] if row.startswith("import time:")}


def heavy_files(process: subprocess.Popen[bytes]) -> list[str]:
    """Files of packages in `NEVER`, and of their compiled parts, that the process has mapped."""
    about = Path(f"/proc/{process.pid}")
    assert b"-m\0logger\0--plan-fd" in (about / "cmdline").read_bytes()
    rows = (about / "maps").read_text(encoding="utf-8").splitlines()
    files = {Path(row.split(maxsplit=5)[5]) for row in rows if "/" in row}
    assert any(file.name.startswith("libpython") or "python" in file.name for file in files)
    signs = NEVER | {"arrow", "multiarray"}
    return sorted(str(file) for file in files if any(sign in part for sign in signs for part in file.parts[-3:]))
