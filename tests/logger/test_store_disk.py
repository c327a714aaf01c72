"""A disk that is not mounted is not taken for a store that never was."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger import store_disk

MOUNTED = "/dev/root {top} ext4 rw 0 0\n/dev/sda1 {top}/disk ext4 rw 0 0\n"
NOT_MOUNTED = "/dev/root {top} ext4 rw 0 0\n"


class Machine:
    """A settings file on one disk, a store on another, and what is mounted."""

    def __init__(self, top: Path) -> None:
        self.top = top
        self.settings, self.store = top / "noonmark.toml", top / "disk" / "lapwing.db"
        self.mounts, self.fstab = top / "mounts", top / "fstab"
        self.store.parent.mkdir()
        self.mount(MOUNTED)

    def mount(self, lines: str) -> None:
        self.mounts.write_text(lines.format(top=self.top), encoding="utf-8")

    def remember(self) -> None:
        store_disk.remember(self.settings, self.store, self.mounts)

    def absent(self) -> str | None:
        return store_disk.absent(self.settings, self.store, self.mounts, self.fstab)

    def changed(self) -> str | None:
        return store_disk.changed(self.settings, self.store, self.mounts)


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


def test_a_first_store_is_missed_by_nobody(machine: Machine) -> None:
    """Nothing is remembered and the machine's table of disks names none: a fresh one may begin."""
    assert (machine.absent(), machine.changed()) == (None, None)


def test_a_store_whose_disk_is_not_mounted(machine: Machine) -> None:
    """Which store, on which disk, and both ways out; once it is mounted again nothing is said."""
    machine.remember()
    machine.mount(NOT_MOUNTED)
    said = machine.absent() or ""
    assert f"it lay on the disk at {machine.top / 'disk'}, and none is mounted there now; mount it" in said
    assert f"delete {machine.top / '.noonmark.toml.disk'}" in said
    machine.mount(MOUNTED)
    assert machine.absent() is None


def test_another_store_in_its_place_is_told_each_time(machine: Machine) -> None:
    """A store that was begun while the disk was away is used, said so, and never taken for the old one."""
    machine.remember()
    machine.mount(NOT_MOUNTED)
    machine.store.touch()
    assert machine.absent() is None
    machine.remember()
    assert "another one lies in its place" in (machine.changed() or "")


def test_a_store_that_was_deleted_is_told(machine: Machine) -> None:
    """The disk is there and the store is not: a fresh one, with a word about it."""
    machine.remember()
    assert machine.absent() is None
    assert "it was there before and is gone; is this the right disk?" in (machine.changed() or "")
    machine.store.touch()
    assert machine.changed() is None


def test_a_disk_that_the_table_names(machine: Machine) -> None:
    """Before the first store, /etc/fstab tells; blanks in a place are written as fstab(5) has them."""
    machine.fstab.write_text(f"# disks\nUUID=1 {machine.top}/disk ext4 noauto 0 2\nUUID=2 none swap sw 0 0\n")
    assert machine.absent() is None
    machine.mount(NOT_MOUNTED)
    assert f"it is to lie on the disk at {machine.top}/disk, which {machine.fstab} names" in (machine.absent() or "")


def test_another_path_in_the_settings_is_another_store(machine: Machine) -> None:
    """What was remembered of one path says nothing of the next."""
    machine.remember()
    machine.store = machine.top / "other.db"
    assert (machine.absent(), machine.changed()) == (None, None)


def test_a_store_beside_its_settings_needs_no_memory(machine: Machine) -> None:
    """Where one disk holds both, neither is there without the other, and nothing is left lying about."""
    machine.mount(NOT_MOUNTED)
    machine.remember()
    assert not store_disk.memory(machine.settings).exists()


@pytest.mark.parametrize("spoilt", [b"", b"\xff", b"[]", b'{"store": 1}', b"null"])
def test_a_spoilt_memory_is_none(machine: Machine, spoilt: bytes) -> None:
    """It is written anew at the next start."""
    store_disk.memory(machine.settings).write_bytes(spoilt)
    assert machine.absent() is None
    machine.remember()
    machine.mount(NOT_MOUNTED)
    assert machine.absent() is not None


def test_where_nothing_can_be_written_nothing_is_remembered(machine: Machine) -> None:
    """A settings file in a folder that is not ours is no reason to stop."""
    store_disk.memory(machine.settings).mkdir()
    machine.remember()
    assert not store_disk.is_known(machine.settings, machine.store)


def test_a_machine_that_shows_no_mounts(machine: Machine) -> None:
    """Then nothing is claimed."""
    machine.remember()
    machine.mounts.unlink()
    assert machine.absent() is None
