"""The kind of file system under a path is read from the kernel's mounts, for paths that do not exist yet too."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.place import file_system, warning

# In the form of proc_pid_mounts(5): blanks in a place are written \040, and a later mount hides an earlier one.
MOUNTS = r"""
/dev/root / ext4 rw 0 0
proc /proc proc rw 0 0
tmpfs /run tmpfs rw 0 0
/dev/sda1 /media/stick vfat rw 0 0
/dev/sdb1 /media/camera exfat rw 0 0
server:/export /home/shared nfs4 rw 0 0
//server/logs /mnt/my\040logs cifs rw 0 0
shore:/ /mnt/shore fuse.sshfs rw 0 0
/dev/sdc1 /srv ext4 rw 0 0
server:/srv /srv nfs rw 0 0
/dev/sdd1 /home/shared/disk btrfs rw 0 0
half-a-line
""".lstrip()


@pytest.fixture
def mounts(tmp_path: Path) -> Path:
    path = tmp_path / "mounts"
    path.write_text(MOUNTS, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/var/lib/noonmark/lapwing.db", ("local", "ext4")),
        ("/media/stick/lapwing.db", ("fat", "vfat")),
        ("/media/camera/deep/lapwing.db", ("fat", "exfat")),
        ("/media/stickier/lapwing.db", ("local", "ext4")),
        ("/home/shared/lapwing.db", ("network", "nfs4")),
        ("/home/shared/disk/lapwing.db", ("local", "btrfs")),
        ("/mnt/my logs/lapwing.db", ("network", "cifs")),
        ("/mnt/shore/lapwing.db", ("network", "fuse.sshfs")),
        ("/srv/lapwing.db", ("network", "nfs")),
        ("/run/lapwing.db", ("memory", "tmpfs")),
    ],
)
def test_the_nearest_mount_decides(path: str, kind: tuple[str, str], mounts: Path) -> None:
    """The longest place that holds the path, the last one where two share it."""
    assert file_system(Path(path), mounts) == kind


def test_without_mounts_nothing_is_claimed(tmp_path: Path) -> None:
    """A kernel that shows no mounts gives no verdict."""
    assert file_system(Path("/x"), tmp_path / "none") == ("unknown", "")


def test_this_machine_is_read() -> None:
    """The real file of the kernel: proc lies on proc."""
    assert file_system(Path("/proc/self")) == ("local", "proc")


def test_a_bad_place_is_told_and_a_good_one_is_not(mounts: Path) -> None:
    """What is wrong, and what to do."""
    said = warning(Path("/media/stick/lapwing.db"), mounts)
    assert said == (
        "store /media/stick/lapwing.db: it lies on vfat, which has no journal: a power cut can cost more than the last "
        "interval; put it on a disk of the machine itself"
    )
    assert "network folder (nfs)" in (warning(Path("/srv/lapwing.db"), mounts) or "")
    assert warning(Path("/var/lib/noonmark/lapwing.db"), mounts) is None
