"""Owns the losses in words: from a cloudless sky down to the bank, one line a rung, in watt-hours."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from analysis.results import LADDER, Ladder
from dashboard.wording import LOSSES
from dashboard.writing import capital, energy

# Less is not worth a line: the words round to whole watt-hours [Wh].
_WORTH_A_LINE = 0.5


def lines(ladders: Iterable[Ladder]) -> list[str]:
    """A line for each rung that took or gave something over these days; none where no day has a ladder."""
    sums: dict[str, float] = {}
    for one in ladders:
        for name in LADDER:
            sums[name] = sums.get(name, 0.0) + getattr(one, name)
    return _lines(sums) if sums else []


def _lines(sums: Mapping[str, float]) -> list[str]:
    first, *rungs, last = LADDER
    said = [f"{energy(sums[first])}: {LOSSES[first].line}."]
    for name in rungs:
        wh = sums[name]
        if abs(wh) >= _WORTH_A_LINE:
            verb = "took" if wh > 0 else "added"
            said.append(f"{capital(LOSSES[name].word)} {verb} {energy(abs(wh))}: {LOSSES[name].line}.")
    return [*said, f"{energy(sums[last])} {LOSSES[last].line}."]
