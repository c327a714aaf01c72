"""Owns what is known of the serial lines of this machine: their stable names, what hangs on them, who holds them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from serial.tools import list_ports

from logger.sources.serial_line import holders

_SOLDERED = ("ttyS", "ttyAMA")
"""Lines of the machine itself, which keep their names."""


class Port(Protocol):
    """What pyserial tells of a device."""

    @property
    def device(self) -> str: ...
    @property
    def description(self) -> str: ...
    @property
    def manufacturer(self) -> str | None: ...
    @property
    def serial_number(self) -> str | None: ...


@dataclass(frozen=True, slots=True)
class KnownLine:
    """One serial line.

    Attributes
    ----------
    name : str
        To write in the settings: by serial number where the adapter has one, else by the socket that it is in.
    device : str
        What the kernel calls it today.
    about : str
        What it says of itself, empty where it says nothing.
    stable : bool
        Whether the name will be the same after the next re-plugging.
    held_by : tuple of str
        Programs that have it open, so far as we may look.
    """

    name: str
    device: str
    about: str
    stable: bool
    held_by: tuple[str, ...]


def known_lines(ports: Iterable[Port] | None = None, links: Path = Path("/dev/serial")) -> list[KnownLine]:
    """The lines of this machine, stable names first.

    Parameters
    ----------
    ports : iterable of Port, optional
        Absent: what pyserial finds.
    links : Path
        Where the system keeps stable names, in ``by-id`` and ``by-path``.
    """
    by_id, by_path = _links(links / "by-id"), _links(links / "by-path")
    found = []
    for port in list_ports.comports() if ports is None else ports:
        device = str(Path(port.device).resolve())
        names = (by_id, by_path) if port.serial_number else (by_path, by_id)
        stable = names[0].get(device) or names[1].get(device)
        found.append(
            KnownLine(
                name=stable or port.device,
                device=port.device,
                about=_about(port),
                stable=stable is not None or Path(port.device).name.startswith(_SOLDERED),
                held_by=tuple(holders(port.device)),
            )
        )
    return sorted(found, key=lambda line: (line.name == line.device, line.name))


def _links(folder: Path) -> dict[str, str]:
    return {str(link.resolve()): str(link) for link in sorted(folder.glob("*"))} if folder.is_dir() else {}


def _about(port: Port) -> str:
    parts = [port.manufacturer, port.description if port.description not in ("n/a", Path(port.device).name) else None]
    if port.serial_number:
        parts.append(f"serial number {port.serial_number}")
    return ", ".join(dict.fromkeys(part for part in parts if part))
