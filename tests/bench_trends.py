"""How well the weak side is found from a grey week, and how well the slope of dirt, on records made by other physics.

Run by hand: ``python -m tests.bench_trends [--weeks 24] [--records 200]``. The weeks are the fixtures': their sky,
their modules, meters of 1 % (one sigma) with a zero off by a hundredth of an ampere, heard as power alone or as the
bare kit's volts and amps; the vessel swings and nobody knows her heading. The records of dirt are sixty days with white
noise, half of them clear.
"""

from __future__ import annotations

import argparse
import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np

from analysis import trends, twins
from analysis.findings import History
from analysis.rules import yield_shortfall
from tests.analysis.grey_weeks import Week, days, history
from tests.analysis.test_trends import made, note

PLACES = (
    (5.0, dt.date(2026, 6, 1)),
    (47.58, dt.date(2026, 6, 10)),
    (47.58, dt.date(2026, 9, 21)),
    (47.58, dt.date(2026, 12, 10)),
    (60.0, dt.date(2026, 9, 1)),
    (69.0, dt.date(2026, 3, 1)),
)
LOW = 0.9


@dataclass(frozen=True, slots=True)
class Told:
    """Of some grey weeks: how many, in how many the low side was found, the other side was, and the interval held."""

    weeks: int
    found: int
    wrong: int
    held: int
    half_width: float


def weak_side(
    latitude: float, first: dt.date, sensor: bool, gain: float, weeks: int, bare_kit: bool = False, seeds: int = 1000
) -> Told:
    """The port side gives that share of a sound one's power, over so many weeks of as many vessels."""
    found = wrong = held = told = 0
    widths = []
    for seed in range(weeks):
        heading = ("wind", "tide", "gyre")[seed % 3]
        week = Week(
            first=first, latitude=latitude, sensor=sensor, heading=heading, gain=(("port", gain),), seed=seeds + seed,
            vessel=seeds + seed, bare_kit=bare_kit,
        )  # fmt: skip
        seen = days(week)
        subjects = {f.subject for f in yield_shortfall.found(History(**history(seen, week)))}
        found += "array.port" in subjects
        wrong += "array.starboard" in subjects
        last = twins.compared(seen, "port")
        if last is not None:
            told += 1
            held += last.low <= gain <= last.high
            widths.append((last.high - last.low) / 2.0)
    return Told(told, found, wrong, held, float(np.mean(widths)) if widths else float("nan"))


def dirt(records: int) -> Iterator[str]:
    """One line for each kind of record: share of intervals that hold the slope, verdicts."""
    kinds = [
        ("0.2 % a day, washed and noted", {"slope": -0.002, "washed": (30,)}, [note(29, "washed the modules")]),
        ("0.2 % a day, washed, no note", {"slope": -0.002, "washed": (30,)}, []),
        ("0.1 % a day", {"slope": -0.001}, []),
        ("no dirt", {"slope": 0.0}, []),
        ("no dirt, noise of 2 %", {"slope": 0.0, "noise": 0.02}, []),
    ]
    for name, how, notes in kinds:
        told = [trends.of_array("a", made(seed, **how), notes) for seed in range(records)]  # type: ignore[arg-type]
        known = [t for t in told if t.low is not None and t.high is not None]
        held = sum(t.low <= how["slope"] <= t.high for t in known)  # type: ignore[operator]
        verdicts = ", ".join(
            f"{word} {sum(t.verdict == word for t in told)}" for word in sorted({t.verdict for t in told})
        )
        yield f"| {name} | {records} | {100 * held / max(len(known), 1):.0f} % | {verdicts} |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--weeks", type=int, default=24)
    parser.add_argument("--records", type=int, default=200)
    parser.add_argument("--seeds", type=int, default=1000, help="the first week's; the others follow it")
    chosen = parser.parse_args()
    print("| latitude | week of | heard | light sensor | sound: false | a tenth low: found | interval holds it | ± |")
    print("| ---: | --- | --- | --- | ---: | ---: | ---: | ---: |")
    for latitude, first in PLACES:
        for bare_kit, sensor in product((False, True), (False, True)):
            sound, low = (
                weak_side(latitude, first, sensor, gain, chosen.weeks, bare_kit, chosen.seeds) for gain in (1.0, LOW)
            )
            held = sound.held + low.held
            kit = f"{'volts, amps' if bare_kit else 'power'} | {'yes' if sensor else 'no'}"
            print(
                f"| {latitude:.0f}° | {first:%e %B} | {kit} | "
                f"{sound.found + sound.wrong} of {chosen.weeks} | {low.found} of {chosen.weeks} | "
                f"{held} of {sound.weeks + low.weeks} | {100 * low.half_width:.1f} % |"
            )
    print()
    print("| sixty days, half of them clear | records | interval holds the slope | verdicts |")
    print("| --- | ---: | ---: | --- |")
    for line in dirt(chosen.records):
        print(line)


if __name__ == "__main__":
    main()
