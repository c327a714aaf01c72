"""Owns the parts of README and DEVELOPERS that are made from the code: run it to write them anew.

python -m tests.rules.docs
"""

from __future__ import annotations

import ast
import importlib
import importlib.util
import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import click
import sqlite_utils

from analysis.causes import CAUSES
from analysis.rules import RULES
from dashboard import wording
from dashboard.cli import COMMANDS
from logger.schema import migrations
from logger.vocabulary import VOCABULARY

ROOT = Path(__file__).resolve().parent.parent.parent
FOLDERS = ("logger", "analysis", "dashboard", "fixtures")


def commands() -> Iterator[str]:
    """Every command with the first sentence of its help."""
    yield from ("| command | does |", "| --- | --- |")
    for name, place in COMMANDS.items():
        module, attribute = place.split(":")
        if importlib.util.find_spec(module) is None:
            continue
        command: click.Command = getattr(importlib.import_module(module), attribute)
        words = " ".join(
            f"{p.make_metavar(click.Context(command))}" for p in command.params if isinstance(p, click.Argument)
        )
        does = " ".join((command.help or "").split("\n\n")[0].split()).rstrip(".")
        yield f"| `{f'noonmark {name} {words}'.strip()}` | {does} |"


def house() -> Iterator[str]:
    """Every module with the sentence in which it says what it owns."""
    for folder in FOLDERS:
        yield f"**{folder}/** {_first_line(ROOT / folder / '__init__.py')}"
        yield ""
        for path in sorted((ROOT / folder).rglob("*.py")):
            if path.stem not in ("__init__", "__main__") or (path.stem == "__main__" and folder == "logger"):
                yield f"- `{path.relative_to(ROOT / folder).with_suffix('')}` {_first_line(path)}"
        yield ""


def _first_line(path: Path) -> str:
    words = (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").split("\n")[0]
    return words.removeprefix("Owns ").replace("``", "`")


def channels() -> Iterator[str]:
    """The vocabulary."""
    yield from ("| channel | unit | IEC 61724 | plausible | meaning |", "| --- | --- | --- | --- | --- |")
    for q in VOCABULARY:
        between = "" if q.is_text else f"{q.low:,g} to {q.high:,g}"
        yield f"| `{q.pattern}` | {q.unit} | {q.symbol} | {between} | {q.meaning} |"


def tables() -> Iterator[str]:
    """The store's tables as the migrations leave them."""
    db = sqlite_utils.Database(memory=True)
    migrations.apply(db)
    yield from ("| table | columns | key |", "| --- | --- | --- |")
    for table in db.tables:
        if not table.name.startswith("_"):
            yield f"| `{table.name}` | {' '.join(c.name for c in table.columns)} | {' '.join(table.pks)} |"
    db.close()


def findings() -> Iterator[str]:
    """The rules that are there, in the words that are shown for them."""
    yield from ("| rule | shown as | raised when |", "| --- | --- | --- |")
    for found in RULES:
        rule = sys.modules[found.__module__].RULE
        yield f"| `{rule}` | {wording.RULES[rule].word} | {wording.RULES[rule].line} |"


def causes() -> Iterator[str]:
    """The causes that are there, each with the rules it can stand behind."""
    yield from ("| cause | shown as | may explain |", "| --- | --- | --- |")
    for cause in CAUSES:
        rules = ", ".join(f"`{rule}`" for rule in cause.priors)
        yield f"| `{cause.cause}` | {wording.CAUSES[cause.cause].word} | {rules} |"


BLOCKS: dict[tuple[str, str], Callable[[], Iterator[str]]] = {
    ("README.md", "commands"): commands,
    ("DEVELOPERS.md", "house"): house,
    ("DEVELOPERS.md", "channels"): channels,
    ("DEVELOPERS.md", "tables"): tables,
    ("DEVELOPERS.md", "findings"): findings,
    ("DEVELOPERS.md", "causes"): causes,
}


def with_block(text: str, name: str, lines: Iterator[str]) -> str:
    """The document with one block made anew; its two marks must be there."""
    begin, end = f"<!-- begin {name} -->", f"<!-- end {name} -->"
    if text.count(begin) != 1 or text.count(end) != 1:
        raise ValueError(f"the document needs one {begin} and one {end}")
    made = "\n".join([begin, "", *lines]).rstrip()
    return re.sub(f"{begin}.*?{end}", lambda _: f"{made}\n\n{end}", text, flags=re.DOTALL)


def main() -> None:
    """Write every block."""
    for (document, name), lines in BLOCKS.items():
        path = ROOT / document
        path.write_text(with_block(path.read_text(encoding="utf-8"), name, lines()), encoding="utf-8")


if __name__ == "__main__":
    main()
