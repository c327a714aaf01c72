"""Owns what a page says where there is nothing to draw: what is missing, and what to do."""

from __future__ import annotations

from dashboard.sentences import NOT_JUDGED
from dashboard.writing import count


def settings_missing(path: str) -> tuple[str, str]:
    """What is missing, and what to do."""
    return (
        "There is no settings file yet.",
        f"It was looked for at {path}. Write one with 'noonmark new', or name it with --settings PATH.",
    )


def settings_wrong(path: str, count_: int) -> tuple[str, str]:
    return (
        f"The settings file holds {count(count_, 'mistake')}.",
        f"Mend {path}; 'noonmark check' says when it is right.",
    )


def store_missing(path: str) -> tuple[str, str]:
    return (
        "There is no record yet.",
        f"Nothing stands at {path}. Begin one with 'noonmark record', or bring history in with 'noonmark import FILE'.",
    )


def store_broken(fault: str) -> tuple[str, str]:
    return (
        "The record cannot be read.",
        f"{fault}. Copy the file away before anything else, then run 'noonmark check'.",
    )


def record_older() -> tuple[str, str]:
    return (
        "An earlier Noonmark wrote this record.",
        "Run 'noonmark assess' once, with no logger of the earlier one at work: it copies the record and brings it up "
        "to date.",
    )


def record_empty() -> tuple[str, str]:
    return (
        "The record is empty.",
        "No instrument has been heard yet. 'noonmark listen' shows what the serial lines send, "
        "'noonmark record' keeps it, 'noonmark import FILE' brings history in.",
    )


def not_judged(readings_until: str) -> tuple[str, str]:
    return (
        NOT_JUDGED,
        f"There is a record until {readings_until}, but no day of it has been judged. Run 'noonmark assess'.",
    )


def page_unknown(path: str) -> tuple[str, str]:
    return "There is no such page.", f"Nothing is shown at {path}. The words above lead to all that there is."


def page_failed(fault: str) -> tuple[str, str]:
    return (
        "This page could not be drawn.",
        f"{fault}. The record itself is not touched by it; the other pages may still serve.",
    )
