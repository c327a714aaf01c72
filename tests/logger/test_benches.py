"""The benchmarks' short forms: that they measure what they say, not how fast."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

Bench = Callable[[str], ModuleType]


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], ModuleType]:
    def load(name: str) -> ModuleType:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).parents[1] / f"{name}.py")
        assert spec
        assert spec.loader
        module = importlib.util.module_from_spec(spec)
        monkeypatch.setitem(sys.modules, name, module)
        spec.loader.exec_module(module)
        return module

    return load


def test_both_ways_of_the_ingest_benchmark_keep_the_same_samples(tmp_path: Path, bench: Bench) -> None:
    """The ratio compares like with like."""
    logger, bare = bench("bench_ingest").run(tmp_path, 700)
    assert logger > 0
    assert bare > 0


@pytest.mark.terminal
def test_the_logger_benchmark_counts_what_was_sent(bench: Bench) -> None:
    """Every line sent is in the store, and the kernel's books are read."""
    cost = bench("bench_logger").run(seconds=3, flush_s=1)
    assert cost.samples >= 50
    assert cost.resident_mb > 5
    assert cost.bytes_a_sample > 0


@pytest.mark.terminal
def test_the_fault_injection_holds_what_it_says(bench: Bench) -> None:
    """A few of each: nothing that came whole is lost, nothing wrong passes a check that the bare checker refuses."""
    rows = [inject() for inject in bench("bench_faults").injections(quick=True)]
    assert [row.what for row in rows if row.is_bad] == []
    cut = next(row for row in rows if row.what == "line cut short, none")
    assert cut.wrong > 0  # or the count could not fail


@pytest.mark.terminal
@pytest.mark.parametrize("alone", [True, False])
def test_the_soak_counts_what_was_lost(bench: Bench, alone: bool) -> None:
    """Plugs were pulled, readings came back, and what was said is accounted for."""
    found = bench("bench_soak").run(seconds=6, flush_s=0.5, plugged_s=2, alone=alone)
    assert found.unplugged > 0
    assert 0 < found.kept <= found.said
    assert found.said - found.kept <= found.on_the_wire
    assert found.strange == 0
    assert found.heavy == []


@pytest.mark.terminal
def test_no_reading_is_lost_beside_an_import(bench: Bench) -> None:
    """A hundred lines a second, a flush each 0.3 s, a file of thousands of rows between; nobody hears "locked"."""
    found = bench("bench_beside").run(rows=20_000)
    assert found.said > 100
    assert (found.lost, found.doubled, found.refused) == (0, 0, 0)
    assert found.brought == 8 * found.rows


def test_the_fuzz_finds_no_exception(bench: Bench) -> None:
    """Every decoder gets some of what the long form gives it."""
    tries = bench("bench_fuzz").run(seconds=3, megabytes=0.05)
    assert set(tries) >= {"delimited", "keyvalue", "json", "pattern", "csv", "modbus", "onewire"}
    assert min(tries.values()) > 0


def test_the_archive_benchmark_seals_a_day_to_the_last_bit(tmp_path: Path, bench: Bench) -> None:
    """One day of two is sealed, every value is the same afterwards, and the file is the smaller for it."""
    cost = bench("bench_archive").run(tmp_path, step_ms=20_000, channels=5)
    assert cost.exact
    assert cost.samples == 4320 * 5
    assert cost.file_bytes < cost.table_bytes
    assert min(cost.seconds, cost.bare_s, cost.peak_mb) > 0


def test_the_views_benchmark_sees_every_spike(tmp_path: Path, bench: Bench) -> None:
    """In every span of a record, sealed or not, at most 2,000 points and no spike lost."""
    views = bench("bench_views")
    made = views.make(tmp_path, 0.1, 2, 20_000, hot_days=3, minute_days=5)
    results = views.run(made, rounds=4)
    assert all(one.seen for one in results)
    assert 60 <= max(one.points for one in results) <= 2000
    assert views.percentile([float(n) for n in range(100)]) == 95


def test_the_redating_benchmark_moves_all(bench: Bench) -> None:
    """As many samples as it says."""
    figures = bench("bench_redating").run(300)
    assert figures["samples"] == 15_000
    assert figures["longest lock"] > 0


def test_the_readers_benchmark_loses_nothing_and_hears_no_fault(tmp_path: Path, bench: Bench) -> None:
    """Every row that was sent is kept, every reader has its seven days whole, and the log stays short."""
    made = bench("bench_readers")
    for seen in (made.run(tmp_path, seconds=2, readers=3, channels=4), made.hour(tmp_path, flushes=20, channels=4)):
        assert (seen.kept, seen.faults) == (seen.sent, [])
        assert seen.looks > 0
        assert 0 < seen.log_bytes <= made.MOST_LOG
