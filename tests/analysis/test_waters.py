"""The short form of the yield's benchmark: a few vessels with known truth, judged as any record is."""

from __future__ import annotations

import pytest

from fixtures.waters.weather import Fleet
from tests.bench_yield import Tally, lines, tally

KINDS = ("plane", "horizontal", "weather", "sisters")


@pytest.fixture(scope="module")
def judged() -> dict[str, Tally]:
    return tally(Fleet(7, 30.0, vessels=6, days=2), KINDS)


@pytest.mark.parametrize(
    ("kind", "error"), [("plane", 0.05), ("horizontal", 0.06), ("weather", 0.25), ("sisters", 0.10)]
)
def test_the_interval_holds_what_could_truly_be_had(judged: dict[str, Tally], kind: str, error: float) -> None:
    """On four days of five of so few vessels, whatever shows the light; the benchmark holds it to 93 to 97 of 100."""
    assert judged[kind].days >= 20
    assert judged[kind].coverage >= 0.8
    assert judged[kind].median_error <= error


@pytest.mark.parametrize("kind", KINDS)
def test_minutes_get_their_true_state_and_a_limited_array_is_no_shortfall(judged: dict[str, Tally], kind: str) -> None:
    assert judged[kind].right >= 0.96
    assert judged[kind].limited_shortfalls == 0


def test_the_table_has_a_line_a_latitude_and_a_kind(judged: dict[str, Tally]) -> None:
    table = list(lines({(30.0, kind): found for kind, found in judged.items()}, KINDS))
    assert len(table) == 1 + 3 * len(KINDS)
