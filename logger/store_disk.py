"""Owns what is remembered of the disk on which a store lay, so that a disk that is not there is not taken for no store.

A folder in which a disk is to be mounted can be written without it too: a store begun there would hide as soon as the
disk comes back. Where the store lay stands in a small file beside the settings, which lie elsewhere if this can happen.
"""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path

from logger.place import MOUNTS, mount_point, points

FSTAB = Path("/etc/fstab")


def memory(settings: Path) -> Path:
    """The file beside the settings."""
    return settings.with_name(f".{settings.name}.disk")


def is_known(settings: Path, store: Path) -> bool:
    """Whether there was a store at that path before."""
    return _lay_on(settings, store) is not None


def remember(settings: Path, store: Path, mounts: Path = MOUNTS) -> None:
    """Keep in mind on which disk the store lies now, if that is not the settings' own.

    Where it cannot be written, nothing is remembered.
    """
    point, lay_on = mount_point(store, mounts), _lay_on(settings, store)
    if point in (None, lay_on, mount_point(settings, mounts)) or _is_missing(lay_on, mounts):
        return
    told = json.dumps({"store": str(store), "disk": str(point)})
    with suppress(OSError):
        memory(settings).write_text(told + "\n", encoding="utf-8")


def absent(settings: Path, store: Path, mounts: Path = MOUNTS, fstab: Path = FSTAB) -> str | None:
    """What is to be said where there is no store because its disk is not mounted; None where nothing speaks for that.

    Parameters
    ----------
    settings, store : Path
        Both absolute.
    mounts, fstab : Path
        What is mounted, in the form of proc_pid_mounts(5), and what is to be, in that of fstab(5).
    """
    if store.exists():
        return None
    lay_on = _lay_on(settings, store)
    if _is_missing(lay_on, mounts):
        return (
            f"store {store}: it lay on the disk at {lay_on}, and none is mounted there now; mount it, or, if that disk "
            f"is given up, delete {memory(settings)}"
        )
    meant = [point for point, _ in points(fstab) if point.is_absolute() and store.is_relative_to(point)]
    if lay_on is None and (missing := [point for point in meant if _is_missing(point, mounts)]):
        return (
            f"store {store}: it is to lie on the disk at {missing[-1]}, which {fstab} names and which is not mounted; "
            "mount it, or name another place under store.path"
        )
    return None


def changed(settings: Path, store: Path, mounts: Path = MOUNTS) -> str | None:
    """What is to be said where what is used now is not the store that was there before; None where nothing is."""
    lay_on = _lay_on(settings, store)
    if lay_on is None:
        return None
    if not store.exists():
        return f"store {store}: it was there before and is gone; is this the right disk? A fresh one is begun"
    if _is_missing(lay_on, mounts):
        return (
            f"store {store}: it lay on the disk at {lay_on}, and none is mounted there now; another one lies in its "
            f"place, and is written. Mount it, or, if that disk is given up, delete {memory(settings)}"
        )
    return None


def _is_missing(point: Path | None, mounts: Path) -> bool:
    mounted = {there for there, _ in points(mounts)}
    return point is not None and bool(mounted) and point not in mounted


def _lay_on(settings: Path, store: Path) -> Path | None:
    try:
        told = json.loads(memory(settings).read_text(encoding="utf-8"))
        return Path(told["disk"]) if told["store"] == str(store) else None
    except (OSError, ValueError, KeyError, TypeError):
        return None
