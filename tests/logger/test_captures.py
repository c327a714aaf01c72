"""Every capture that is kept means what its golden says, whatever the chunking.

A capture is a folder ``fixtures/captures/FORMAT/CASE`` with ``settings.toml``, whose first line says what it is about,
``input.bin`` (what a line sent after its opening), ``input.capture`` (as ``record --capture`` writes it) or
``input.csv``, and ``expected.json`` or ``expected_error.txt``. After a wanted change:
``pytest tests/logger/test_captures.py --rebuild-captures``, then read the difference.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from logger import settings_file
from logger.capture import OPENED, Piece, decoded, pieces
from logger.decoders.csv_table import CsvTable
from logger.decoders.registry import FORMATS, KINDS, make
from logger.errors import NoonmarkError
from logger.plan import SourcePlan
from logger.readings import Item, Record, Reject

CAPTURES = Path(__file__).parents[2] / "fixtures" / "captures"
CASES = sorted(path.parent for path in CAPTURES.glob("*/*/settings.toml"))
CHUNKS = (1, 2, 3, 7, 64, 1 << 20)
MOST_RAW = 120


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.parent.name}/{case.name}")
def test_a_capture_means_what_its_golden_says(case: Path, rebuild_captures: bool) -> None:
    """Through the settings file and the real decoder, in chunks of every size."""
    found = [_meaning(case, chunk) for chunk in CHUNKS]
    assert all(one == found[0] for one in found), "the chunking shows"
    error, golden = found[0] if isinstance(found[0], str) else None, case / "expected.json"
    if error is not None:
        golden = case / "expected_error.txt"
    text = f"{error}\n" if error is not None else _written(found[0])
    if rebuild_captures:
        for old in case.glob("expected*"):
            old.unlink()
        golden.write_text(text, encoding="utf-8")
    assert [path.name for path in case.glob("expected*")] == [golden.name]
    assert golden.read_text(encoding="utf-8") == text


def test_every_format_has_captures() -> None:
    """Text formats and files; enough of them to be worth their keep; each says what it is about."""
    assert {case.parent.name for case in CASES} >= {*FORMATS, *KINDS, "csv"}
    assert len(CASES) >= 25
    assert all((case / "settings.toml").read_text(encoding="utf-8").startswith("# ") for case in CASES)


def _meaning(case: Path, chunk: int) -> Any:
    """What a capture comes to, or the words of its error."""
    try:
        located = settings_file.read(case / "settings.toml")
        (plan,) = settings_file.plan(located).sources
        return _table(plan, case, chunk) if plan.kind == "csv" else _line(plan, case, chunk)
    except NoonmarkError as fault:
        return str(fault).replace(f"{case}/", "")


def _line(plan: SourcePlan, case: Path, chunk: int) -> list[dict[str, Any]]:
    return [_item(item) for _, item in decoded(_rechunked(_pieces(case, plan.name), chunk), make(plan))]


def _pieces(case: Path, source: str) -> Iterator[Piece]:
    capture = case / "input.capture"
    if capture.exists():
        return pieces(capture, source)
    return iter([Piece(0, source, b"", OPENED), Piece(0, source, (case / "input.bin").read_bytes())])


def _rechunked(whole: Iterator[Piece], chunk: int) -> Iterator[Piece]:
    for piece in whole:
        if not piece.data:
            yield piece
        for at in range(0, len(piece.data), chunk):
            yield Piece(piece.t, piece.source, piece.data[at : at + chunk])


def _item(item: Item) -> dict[str, Any]:
    if isinstance(item, Record):
        return {"reading": dict(item.readings)}
    if not isinstance(item, Reject):
        return {"remark": repr(item)}
    return {"reject": item.reason, "raw": item.raw.decode("latin-1")[:MOST_RAW]}


def _table(plan: SourcePlan, case: Path, chunk: int) -> list[dict[str, Any]]:
    """A file that grows: what it says while its last line is open."""
    table, data = CsvTable(plan, "input.csv"), (case / "input.csv").read_bytes()
    items: list[dict[str, Any]] = []
    for at in range(0, len(data), chunk):
        block = table.feed(data[at : at + chunk])
        for row, t in enumerate(block.times):
            values = {
                channel.channel: column[row]
                for channel, column in zip(plan.channels, block.columns, strict=True)
                if column[row] is not None
            }
            marks = sorted({why for (marked, _), reasons in block.marks.items() if marked == row for why in reasons})
            stamp = datetime.fromtimestamp(t / 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
            items.append({"t": stamp, "reading": values} | ({"marks": marks} if marks else {}))
        items += [{"line": r.line, "reject": r.reason, "raw": r.raw.decode("latin-1")} for r in block.rejects]
    if table.doubt:
        raise table.doubt
    # Blocks end with the chunks: rows and rejects come in another order in each chunking.
    return sorted(items, key=lambda item: json.dumps(item, sort_keys=True))


def _written(items: list[dict[str, Any]]) -> str:
    rows = ",\n".join(f"  {json.dumps(item, ensure_ascii=False)}" for item in items)
    return f"[\n{rows}\n]\n"


def test_goldens_are_never_rebuilt_under_ci() -> None:
    """Nobody would read the difference."""
    command = [sys.executable, "-m", "pytest", "--rebuild-captures", "-k", "keys_twice", __file__]
    done = subprocess.run(command, env={**os.environ, "CI": "true"}, capture_output=True, text=True, check=False)
    assert done.returncode == 4
    assert "refused under CI" in done.stdout
