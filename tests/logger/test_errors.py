"""The tree of errors is drawn as it is, and each ends a command with the status that the contract names."""

from __future__ import annotations

import inspect

import pytest

from logger import errors
from logger.errors import NoonmarkError, SettingsError, UsageError

TREE = [kind for _, kind in inspect.getmembers(errors, inspect.isclass) if issubclass(kind, NoonmarkError)]


@pytest.mark.parametrize("kind", TREE, ids=lambda kind: kind.__name__)
def test_every_error_stands_in_the_drawing(kind: type[NoonmarkError]) -> None:
    """One line a class, below its parent, with what it means."""
    drawn = [line for line in (errors.__doc__ or "").splitlines() if kind.__name__ in line.split()]
    assert len(drawn) == 1
    assert kind.__doc__
    parent = kind.__mro__[1]
    if parent is not Exception:
        text = errors.__doc__ or ""
        assert text.index(parent.__name__) < text.index(f" {kind.__name__} ")


def test_wrong_usage_and_settings_end_with_two() -> None:
    """2 is wrong usage or settings, 1 everything else that failed."""
    with_two = {kind for kind in TREE if kind.exit_status == 2}
    assert with_two == {UsageError, SettingsError}
    assert {kind.exit_status for kind in TREE} == {1, 2}


def test_one_mistake_is_counted_as_one() -> None:
    """Singular and plural, and the mistakes themselves for programs."""
    fault = SettingsError("noonmark.toml", ["site: required"])
    assert str(fault) == "noonmark.toml: 1 mistake in the settings\n  1. site: required"
    assert fault.problems == ("site: required",)
