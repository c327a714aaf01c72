"""The benchmark of the assessment runs whole, on a fortnight."""

from __future__ import annotations

import math

from tests import bench_assess


def test_the_benchmark_judges_every_day_of_its_record() -> None:
    """A short form of ``python -m tests.bench_assess``: all figures there; how fast is asserted nowhere."""
    figures = bench_assess.run(days=4)
    assert figures["days"] == 4
    # What judging takes is a difference of two times: on a busy machine a short one may come out as nothing, or less.
    assert math.isfinite(figures.pop("frames_to_results"))
    assert all(value > 0 for value in figures.values())
