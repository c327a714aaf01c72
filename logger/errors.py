"""Owns the tree of errors that a user can meet.

::

    NoonmarkError                it failed: what, where, what to do (exit 1)
    ├── UsageError               the command's words are off (exit 2)
    ├── SettingsError            the settings file holds mistakes, all listed at once (exit 2)
    ├── UnknownChannel           a channel that the vocabulary does not hold
    ├── UnknownUnit              a unit that cannot become the channel's unit
    ├── UnknownConductor         a conductor of a size or class that no table holds
    ├── StoreError               the store cannot be opened, read or written
    │   ├── ArchiveBusy          another process moves rows between store and archive
    │   ├── StoreMissing         there is no store at that path
    │   ├── StoreHeld            another logger records into it
    │   ├── StoreUnwritable      it is there, and cannot be written now: full disk, read-only, another's, locked
    │   └── StoreTooNew          a later Noonmark wrote it
    ├── CaptureFault             a capture cannot be written or read
    ├── ImportFault              a history file cannot be read as the mapping says
    └── LineFault                a serial line or a broker cannot be reached or was lost
        ├── LineInUse            another program holds it
        └── LineRefused          we may not open it
"""

from __future__ import annotations

from collections.abc import Sequence


class NoonmarkError(Exception):
    """Something failed; the message says what, where and what to do."""

    exit_status = 1


class UsageError(NoonmarkError):
    """The command's words are off."""

    exit_status = 2


class SettingsError(NoonmarkError):
    """The settings file holds mistakes.

    Parameters
    ----------
    where : str
        The settings file.
    problems : sequence of str
        One entry a mistake: key, value, rule, example.
    """

    exit_status = 2

    def __init__(self, where: str, problems: Sequence[str]) -> None:
        self.where = where
        self.problems = tuple(problems)
        count = len(self.problems)
        head = f"{where}: {count} mistake{'s' if count != 1 else ''} in the settings"
        super().__init__("\n".join([head, *(f"  {n}. {p}" for n, p in enumerate(self.problems, 1))]))


class UnknownChannel(NoonmarkError):
    """A channel that the vocabulary does not hold."""


class UnknownUnit(NoonmarkError):
    """A unit that cannot become the channel's unit."""


class UnknownConductor(NoonmarkError):
    """A conductor of a size or class that no table holds."""


class StoreError(NoonmarkError):
    """The store cannot be opened, read or written."""


class ArchiveBusy(StoreError):
    """Another process moves rows between store and archive."""


class StoreMissing(StoreError):
    """There is no store at that path."""


class StoreHeld(StoreError):
    """Another logger records into the store."""


class StoreUnwritable(StoreError):
    """The store is there and cannot be written now, which can pass: who records waits for it."""


class StoreTooNew(StoreError):
    """A later Noonmark wrote the store."""


class CaptureFault(NoonmarkError):
    """A capture cannot be written or read."""


class ImportFault(NoonmarkError):
    """A history file cannot be read as the mapping says."""

    exit_status = 1


class LineFault(NoonmarkError):
    """A serial line or a broker cannot be reached or was lost."""


class LineInUse(LineFault):
    """Another program holds the serial line."""


class LineRefused(LineFault):
    """The serial line or the broker is there, but we may not use it."""
