"""What the dashboard's tests stand on: one fortnight, written once."""

from __future__ import annotations

import pytest

from tests.dashboard import story


@pytest.fixture(scope="session")
def told(tmp_path_factory: pytest.TempPathFactory) -> story.Story:
    """The fortnight's store and settings; nobody writes to them."""
    return story.write(tmp_path_factory.mktemp("story"))
