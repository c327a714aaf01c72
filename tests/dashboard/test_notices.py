"""The notices as they are read: what to do once, and no row for what was ruled out."""

from __future__ import annotations

from tests.dashboard import story
from tests.dashboard.test_pages import shown


def test_a_notice_says_its_first_check_once_and_no_cause_that_was_ruled_out(told: story.Story) -> None:
    """What to do is the likeliest cause's check: its row points back to it; what has no chance has no row."""
    text = shown(told.store, told.settings, "/findings")
    assert text.count("Feel each plug of the gantry home run") == 1
    assert "As above." in text
    assert "under 1" not in text
