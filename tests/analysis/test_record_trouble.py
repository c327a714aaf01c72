"""What befell the store becomes a finding where something was lost, or it lasted."""

from __future__ import annotations

from typing import Any

from analysis.findings import History, StoreEvent
from analysis.results import Finding
from analysis.rules import record_trouble
from analysis.sun import DAY_MS
from tests.analysis import frames

MINUTE_MS = 60_000
AT = frames.START + DAY_MS


def found(*events: tuple[int, str, str], days: int = 30) -> list[Finding]:
    base: dict[str, Any] = dict.fromkeys(("array_days", "loops", "enclosures", "bank_days", "states"), ())
    told = [StoreEvent(AT + minutes * MINUTE_MS, kind, text) for minutes, kind, text in events]
    return record_trouble.found(
        History(settings=frames.settings(), stop=frames.START + days * DAY_MS, events=told, **base)
    )


def test_a_short_lock_is_nobodys_business() -> None:
    """Nothing was lost, nothing lasted; nor is a stray note of a salvage, or of a file that a source follows."""
    assert found((0, "store trouble", "locked"), (9, "store restored", "written again")) == []
    assert found((0, "salvage", "nothing of it reads")) == []
    assert found((0, "gap", "45.0 s without a reading")) == []


def test_a_long_trouble_without_loss_is_told_low() -> None:
    """From its beginning to its end; it is over."""
    (one,) = found((0, "store trouble", "read-only"), (10, "store restored", "written again after 600 s"))
    assert (one.rule, one.subject, one.state, one.priority) == ("record-trouble", "store", "returned", "low")
    assert (one.since, one.until) == (AT, AT + 10 * MINUTE_MS)
    assert one.summary == "the store could not be written"


def test_a_full_disk_that_cost_readings() -> None:
    """Told for a week to whoever comes back; in its words how much was lost, and when."""
    events = (
        (0, "full disk", "could not be written (database or disk is full); readings were kept in memory"),
        (
            5,
            "lost readings",
            "20 readings from 2026-06-12T12:00:00Z to 2026-06-12T12:00:19Z had to go: memory was full",
        ),
        (60, "store restored", "written again after 3600 s"),
    )
    (one,) = found(*events)
    assert (one.state, one.priority, one.until) == ("returned", "medium", AT + 60 * MINUTE_MS + 7 * DAY_MS)
    assert one.summary.startswith("the disk was full; 20 readings from 2026-06-12T12:00:00Z")
    (one,) = found(*events, days=5)
    assert (one.state, one.until) == ("unacknowledged", None)


def test_a_trouble_without_an_end_is_open() -> None:
    """The logger never came to say that it was over."""
    (one,) = found((0, "full disk", "full"))
    assert (one.state, one.priority, one.until) == ("unacknowledged", "medium", None)


def test_a_damaged_store_and_its_salvage_are_one_finding() -> None:
    """Also where the damage was met while recording; a second damage is a second finding."""
    (one,) = found(
        (0, "store trouble", "malformed"),
        (1, "damaged file", "it lies aside"),
        (1, "store restored", "written again"),
        (2, "salvage", "lapwing.db.damaged: 900 readings brought back"),
    )
    assert one.summary == (
        "the store was damaged, and a fresh one was begun; lapwing.db.damaged: 900 readings brought back"
    )
    assert [line.partition(":")[0] for line in one.evidence["events"]] == [
        "store trouble", "damaged file", "store restored", "salvage",
    ]  # fmt: skip
    assert len(found((0, "damaged file", "a"), (1, "salvage", "b"), (99, "damaged file", "c"))) == 2


def test_an_archive_that_fails_for_days_is_told_low() -> None:
    """From its first failure to the day on which it works again; one night of it is nobody's business."""
    day = 24 * 60
    failed = (0, "archive trouble", "archive: failed with 1: no room")
    assert found(failed, (day - 1, "archive restored", "archive: works again")) == []
    (one,) = found(failed, (2 * day, "archive trouble", "again"), (3 * day, "archive restored", "works again"))
    assert (one.state, one.priority, one.since, one.until) == ("returned", "low", AT, AT + 3 * day * MINUTE_MS)
    assert "the nightly archive fails" in one.summary
    assert one.evidence == {"events": ["archive trouble: archive: failed with 1: no room"]}
    (one,) = found(failed)
    assert (one.state, one.until) == ("unacknowledged", None)
    assert found(failed, days=1) == []
