"""Power cuts, played by kill -9 at random moments of a logger that records."""

from __future__ import annotations

import random
import signal
from pathlib import Path

import pytest

from logger.schema import prepare

from .rig import Aboard, Talker, device, kill_after, lean_logger, source, until

pytestmark = pytest.mark.terminal

FLUSH_S = 0.3
KILLS = 24


def test_kills_at_random_moments(tmp_path: Path) -> None:
    """Nothing older than one flush interval is lost, nothing doubled; the next start needs no repair."""
    rng = random.Random(20)
    with device(tmp_path / "cabin-controller") as made:
        aboard = Aboard(tmp_path, source(made), flush=FLUSH_S)
        prepare(aboard.store)
        talker = Talker(made)
        with talker.talking():
            for n in range(KILLS):
                before = len(aboard.values())
                with lean_logger(aboard) as process:
                    if n % 4:
                        until(lambda before=before: len(aboard.values()) > before, "the first commit")
                    killed = kill_after(process, rng.uniform(0, 2 * FLUSH_S) + (1.5 if n % 6 == 5 else 0))
                kept = [int(value) for value in aboard.values()]
                assert kept == sorted(set(kept)), "a reading stands twice, or out of order"
                session = kept[before:]
                if session:
                    assert session == list(range(session[0], session[-1] + 1)), "a hole in one session"
                    # Beyond the flush interval a second of grace: the machine that tests may be busy.
                    safe = sum(at < killed - FLUSH_S - 1.0 for at in talker.said)
                    assert session[-1] >= safe - 1, "more lost than one flush interval"
                assert aboard.ask("PRAGMA integrity_check") == [("ok",)]
            with lean_logger(aboard) as process:
                before = len(aboard.values())
                until(lambda: len(aboard.values()) > before, "reading after the last kill")
                process.send_signal(signal.SIGTERM)
                assert process.wait(30) == 0
    assert aboard.ask("PRAGMA integrity_check") == [("ok",)]
    sessions = aboard.ask("SELECT stopped_cleanly FROM session ORDER BY id")
    assert sessions[-1] == (1,)
    assert {clean for (clean,) in sessions[:-1]} == {0}
    assert len(sessions) > KILLS / 2
    kept = aboard.values()
    assert len(kept) == len(set(kept))
    # Both channels of a record were kept, or neither.
    assert aboard.ask("SELECT count(*) FROM sample GROUP BY t HAVING count(*) <> 2") == []
    assert aboard.ask("SELECT sum(readings) FROM source") == aboard.ask("SELECT count(*) FROM sample")


def test_the_store_is_whole_for_a_reader_at_any_moment(tmp_path: Path) -> None:
    """Someone looks while it is recorded: each look sees more, never less, never half a record."""
    with device(tmp_path / "cabin-controller") as made:
        aboard = Aboard(tmp_path, source(made), flush=0.2)
        prepare(aboard.store)
        talker = Talker(made)
        with talker.talking(), lean_logger(aboard) as process:
            seen = 0
            for _ in range(5):
                until(lambda seen=seen: len(aboard.values()) > seen, "more readings")
                seen = len(aboard.values())
                assert aboard.ask("SELECT count(*) FROM sample GROUP BY t HAVING count(*) <> 2") == []
            process.terminate()
            assert process.wait(30) == 0
