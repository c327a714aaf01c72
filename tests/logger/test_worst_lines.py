"""A pattern that a noisy line could keep at work for ever is refused before it can stop the logger."""

from __future__ import annotations

import pytest

from logger.decoders.pattern import LONGEST
from logger.decoders.registry import make
from logger.errors import SettingsError
from logger.readings import Reject
from logger.settings_file import parse
from logger.worst_lines import slow_line
from tests.logger.plans import channel, source
from tests.logger.test_settings_file import BASE, ENTRY, SERIAL


@pytest.mark.parametrize(
    "pattern",
    [
        r"V=(?P<v>[\d.]+)",
        r"box (?P<box>[-\d.]+) F, cabin (?P<cabin>[-\d.]+) F",
        r".*V=(?P<v>.*),I=(?P<i>.*)",
        r"^(?P<a>[^,]*),(?P<b>[^,]*),(?P<c>[^,]*)$",
        r"(?i)stage:\s*(?P<s>\w+)\b",
        r"(?<=V=)(?P<v>\d+)(?P<x>.)(?P=x)?",
        r"^\s*(?P<v>[-+]?\d*\.?\d+)\s*(?:V|Volt)\s*;\s*(?P<i>[-+]?\d*\.?\d+)\s*A\s*$",
        r"(?P<v>\d{1,3}+\.\d{1,2})(?>a|b)(?(v)c|d)",
    ],
)
def test_an_ordinary_pattern_is_quick_on_any_line(pattern: str) -> None:
    """What people write to take a sentence apart is let through."""
    assert slow_line(pattern) is None


@pytest.mark.parametrize(
    "pattern",
    [
        r"(?P<v>(a+)+)$",
        r"((?P<v>[\d.]+),?)*x",
        r"V=(?P<v>([0-9]+\.?)*);",
        r"(?:.*,)*(?P<v>\d+)$",
        r"(?P<v>(?:\d|\d\d)+)x",
        r"(?P<v>(?:a|b|ab)*)c",
        r"(?P<k>(x|[^y])*)z",
        r"(?P<v>(?=(a+)+$)a)",
        r"^(?P<v>(\s*\d+\s*)+)$",
        r".*V=(?P<v>.*);.*I=(?P<i>.*);.*P=.*;$",
        r"(?P<a>.*)(?P<b>.*)(?P<c>.*)(?P<d>.*)!",
    ],
)
def test_a_pattern_with_too_many_ways_is_found_out(pattern: str) -> None:
    """Repeats within repeats, alternatives that overlap, many stretches of anything: by a line no longer than any is
    that a pattern gets to see."""
    line = slow_line(pattern)
    assert line is not None
    assert 0 < len(line) <= LONGEST


def test_the_settings_say_what_to_write_instead() -> None:
    """The source, the pattern, a line that shows it, and the cure."""
    with pytest.raises(
        SettingsError, match=r"source 's', pattern = .* characters such as .*; no repeat within a repeat"
    ):
        parse(BASE + SERIAL + "format = \"pattern\"\npattern = '(?P<v>([0-9]+)+)V'\n" + ENTRY, "noonmark.toml")


def test_a_pattern_is_shown_no_long_line() -> None:
    """What a match costs may grow with a power of the length, so noise without an end is cut short."""
    plan = source(channel("v", "bank.house.voltage"), format="pattern", pattern="(?P<v>[0-9.]+)V")
    items = make(plan, distrust_first=False).feed(b"x" * (LONGEST - 2) + b"9V\n" + b"x" * LONGEST + b"9V\n")
    assert [item.reason for item in items if isinstance(item, Reject)] == [f"longer than {LONGEST} bytes"]
    assert len(items) == 2
