"""Owns what kind of file system a path lies on: whether a store there survives a power cut."""

from __future__ import annotations

import re
from pathlib import Path

MOUNTS = Path("/proc/self/mounts")

# File systems over a network, where SQLite's write-ahead log does not work at all (sqlite.org/wal.html), and those
# without a journal, which a power cut can leave in pieces.
_NETWORK = re.compile(
    r"nfs\d?|cifs|smb\d?(fs)?|afs|9p|ncpfs|ceph|glusterfs|fuse\.(sshfs|glusterfs|rclone|s3fs|davfs.*)|davfs"
)
_WITHOUT_JOURNAL = re.compile(r"vfat|msdos|exfat|fat")
_MEMORY = re.compile(r"tmpfs|ramfs")

WHY = {
    "network": "lies on a network folder ({}), where a store is damaged sooner or later",
    "fat": "lies on {}, which has no journal: a power cut can cost more than the last interval",
    "memory": "lies in memory ({}): whatever is recorded is gone when the power is",
}
"""What is wrong with a kind of file system as the place of a store."""


def file_system(path: Path, mounts: Path = MOUNTS) -> tuple[str, str]:
    """Kind and type of the file system on which a path lies, whether or not it exists yet.

    Parameters
    ----------
    path : Path
    mounts : Path
        In the form of proc_pid_mounts(5).

    Returns
    -------
    kind : str
        ``network``, ``fat``, ``memory`` or ``local``; ``unknown`` where the mounts cannot be read.
    name : str
        The kernel's name of the type, for instance ``nfs4``.
    """
    found = _nearest(path, mounts)
    if found is None:
        return "unknown", ""
    name = found[1]
    kinds = (("network", _NETWORK), ("fat", _WITHOUT_JOURNAL), ("memory", _MEMORY))
    return next((kind for kind, names in kinds if names.fullmatch(name)), "local"), name


def mount_point(path: Path, mounts: Path = MOUNTS) -> Path | None:
    """Where the file system begins on which a path lies, whether or not it exists yet; None where none can be told."""
    found = _nearest(path, mounts)
    return found[0] if found else None


def points(table: Path) -> list[tuple[Path, str]]:
    """Place and type of each line of a table of file systems: of the kernel's mounts, or of fstab(5)."""
    try:
        lines = table.read_text(encoding="utf-8", errors="surrogateescape").splitlines()
    except OSError:
        return []
    told = (line.split() for line in lines if not line.lstrip().startswith("#"))
    return [
        (Path(re.sub(r"\\([0-7]{3})", lambda code: chr(int(code[1], 8)), fields[1])), fields[2])
        for fields in told
        if len(fields) >= 3
    ]


def _nearest(path: Path, mounts: Path) -> tuple[Path, str] | None:
    resolved = path.resolve()
    # The last of several mounts on one place hides those before it.
    under = [found for found in points(mounts) if resolved.is_relative_to(found[0])]
    return max(reversed(under), key=lambda found: len(found[0].parts), default=None)


def warning(path: Path, mounts: Path = MOUNTS) -> str | None:
    """What is wrong with the place of a store, in a sentence; None where nothing is."""
    kind, name = file_system(path, mounts)
    return f"store {path}: it {WHY[kind].format(name)}; put it on a disk of the machine itself" if kind in WHY else None
