"""The logger's plan travels through JSON unchanged, whatever is in it."""

from __future__ import annotations

import json
import subprocess
import sys

from hypothesis import given
from hypothesis import strategies as st

from logger.plan import ChannelPlan, Plan, SourcePlan, TimePlan

_numbers = st.floats(allow_nan=False, allow_infinity=False)
_text = st.text(max_size=12)
_maybe = st.none() | _text
_field = st.integers(1, 99) | st.text(min_size=1, max_size=8)
_channels = st.builds(
    ChannelPlan,
    field=_field | st.lists(_field, min_size=1, max_size=3).map(tuple),
    channel=_text,
    unit=_text,
    scale=_numbers,
    offset=_numbers,
    low=_numbers,
    high=_numbers,
    words=st.none() | st.dictionaries(_text, _text, max_size=3),
    is_text=st.booleans(),
)
_times = st.builds(
    TimePlan,
    field=st.none() | _field,
    date=st.none() | _field,
    clock=st.none() | _field,
    zone=_text,
    format=_maybe,
    label=st.sampled_from(["instant", "start", "end"]),
    interval_ms=st.none() | st.integers(1, 10**9),
    year=st.none() | st.integers(1980, 2037),
)
_sources = st.builds(
    SourcePlan,
    name=_text,
    kind=st.sampled_from(["serial", "csv"]),
    channels=st.lists(_channels, max_size=3).map(tuple),
    port=_maybe,
    baud=st.integers(50, 4_000_000),
    separator=_maybe,
    pattern=_maybe,
    unheard_after_s=_numbers,
    path=_maybe,
    time=st.none() | _times,
    skip_rows=st.integers(0, 9),
    missing=st.lists(_text, max_size=3).map(tuple),
)
_plans = st.builds(
    Plan,
    settings_text=_text,
    settings_hash=_text,
    store_path=_text,
    flush_seconds=_numbers,
    sources=st.lists(_sources, max_size=3).map(tuple),
)


@given(plan=_plans)
def test_a_plan_survives_its_journey(plan: Plan) -> None:
    """Equal in value and in kind: tuples stay tuples, and the JSON is strict."""
    text = plan.to_json()
    json.loads(text, parse_constant=lambda word: (_ for _ in ()).throw(AssertionError(word)))
    again = Plan.from_json(text)
    assert again == plan
    assert all(isinstance(source.missing, tuple) for source in again.sources)


def test_a_plan_needs_the_standard_library_alone() -> None:
    """What the lean logger reads its plan with loads neither the checker nor any table library."""
    heavy = {"pydantic", "click", "pandas", "numpy", "scipy", "pyarrow", "sqlite_utils", "dash"}
    code = f"import sys, logger.plan, logger.store, logger.rollup; sys.exit(bool({heavy!r} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
