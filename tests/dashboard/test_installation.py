"""The four import names are plain words; whoever else owns one of them is named."""

from __future__ import annotations

from pathlib import Path

from dashboard import installation
from dashboard.installation import NAMES, strangers


def test_this_installation_is_its_own() -> None:
    """Whatever else is installed here, the names lead to one folder."""
    assert strangers() == []


def test_another_owner_is_named() -> None:
    """Two distributions with one import name overwrite each other without a word."""
    owners = {"logger": ["noonmark", "some-logger"], "analysis": ["noonmark"], "dashboard": ["other"]}
    assert strangers(owners) == [
        "the name 'logger' is also installed by some-logger",
        "the name 'dashboard' is also installed by other",
    ]


def test_a_module_in_the_way_is_named(tmp_path: Path) -> None:
    """A file of that name elsewhere on the path shadows ours: the place is told."""
    found = strangers({}, home=tmp_path)
    assert [sentence.split("'")[1] for sentence in found] == list(NAMES)
    assert f"not beside the others in {tmp_path}" in found[0]
    assert str(Path(installation.__file__).resolve().parent.parent / "logger" / "__init__.py") in found[0]
