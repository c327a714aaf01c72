"""The two guides say what the code says."""

from __future__ import annotations

import re

import pytest

from dashboard.cli import COMMANDS
from tests.rules.docs import BLOCKS, ROOT, with_block

README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(("document", "name"), BLOCKS)
def test_what_is_made_from_the_code_is_up_to_date(document: str, name: str) -> None:
    """After a change: python -m tests.rules.docs."""
    text = (ROOT / document).read_text(encoding="utf-8")
    assert with_block(text, name, BLOCKS[document, name]()) == text, "run python -m tests.rules.docs"


def test_the_first_two_commands_stand_as_they_must() -> None:
    """The job in one paragraph, then one line to install and play, and one line to check everything."""
    blocks = re.findall(r"^    (.*)$|^```\w*\n(.*?)\n```", README, re.MULTILINE | re.DOTALL)
    lines = [line for pair in blocks for part in pair for line in part.splitlines() if line.strip()]
    assert lines[:2] == [
        "python3 -m venv .venv && .venv/bin/pip install -c requirements.lock.txt . && .venv/bin/noonmark demo",
        "sh tests/run",
    ]


def test_no_command_is_described_that_is_not_there() -> None:
    """Each `noonmark WORD` in the guides is a command."""
    text = README + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert set(re.findall(r"`noonmark ([a-z-]+)", text)) <= set(COMMANDS)


def test_every_relative_link_leads_somewhere() -> None:
    """Pictures and documents that the guides point to exist."""
    for document in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / document).read_text(encoding="utf-8")
        for target in re.findall(r"\]\(((?!https?:|#)[^)#]+)", text):
            assert (ROOT / target).exists(), f"{document}: {target}"
