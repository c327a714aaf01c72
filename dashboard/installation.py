"""Owns the check that the four import names, plain words that others may use too, belong to Noonmark alone."""

from __future__ import annotations

import importlib.util
from collections.abc import Mapping, Sequence
from importlib.metadata import packages_distributions
from pathlib import Path

NAMES = ("logger", "analysis", "dashboard", "fixtures")
DISTRIBUTION = "noonmark"


def strangers(owners: Mapping[str, Sequence[str]] | None = None, home: Path | None = None) -> list[str]:
    """One sentence for each import name that is not, or not only, Noonmark's.

    Parameters
    ----------
    owners : mapping, optional
        Import name to distributions, as `importlib.metadata.packages_distributions` gives it.
    home : Path, optional
        Folder in which all four must lie; this package's by default.
    """
    owners = packages_distributions() if owners is None else owners
    home = Path(__file__).resolve().parent.parent if home is None else home
    found = []
    for name in NAMES:
        others = sorted(set(owners.get(name, ())) - {DISTRIBUTION})
        if others:
            found.append(f"the name {name!r} is also installed by {', '.join(others)}")
            continue
        spec = importlib.util.find_spec(name)
        origin = Path(spec.origin).resolve() if spec and spec.origin else None
        if origin is None or origin.parent != home / name:
            found.append(f"the name {name!r} is found at {origin or 'no file'}, not beside the others in {home}")
    return found
