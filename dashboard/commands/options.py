"""Owns the options that many commands share."""

from __future__ import annotations

import getpass
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])


def settings_option(function: F) -> F:
    """``--settings PATH``, default ``noonmark.toml`` or ``NOONMARK_SETTINGS``."""
    return click.option(
        "--settings",
        "settings_path",
        type=click.Path(path_type=Path, dir_okay=False),
        default=Path("noonmark.toml"),
        envvar="NOONMARK_SETTINGS",
        show_default=True,
        help="The settings file.",
    )(function)


def json_option(function: F) -> F:
    """``--json``: machine-readable results on standard output."""
    return click.option("--json", "as_json", is_flag=True, help="Print the results as JSON.")(function)


def author_option(function: F) -> F:
    """``--author NAME``: who writes into the logbook."""
    return click.option("--author", help="Who writes; the name of the user without it.")(function)


def author_or_user(given: str | None) -> str:
    """The name that was given, else the user's."""
    try:
        return given or getpass.getuser()
    except (OSError, KeyError):  # a user without a name
        return "unknown"


def print_json(value: Any) -> None:
    """Print a result as JSON, never NaN."""
    click.echo(json.dumps(value, ensure_ascii=False, allow_nan=False, indent=1))
