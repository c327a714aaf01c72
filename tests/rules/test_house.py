"""The house keeps its walls: arrows between folders, nothing else at the top, four import names in the wheel."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

from dashboard.installation import NAMES
from tests.rules.docs import FOLDERS, ROOT


def test_the_arrows_run_one_way() -> None:
    """The contracts of pyproject.toml hold."""
    command = [str(Path(sys.executable).with_name("lint-imports")), "--no-cache"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout


def test_nothing_else_stands_at_the_top() -> None:
    """README, DEVELOPERS, the project's own file, five folders, licence, lock and dotfiles."""
    if not (ROOT / ".git").exists():
        pytest.skip("not a clone")
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    top = {line.split("/")[0] for line in listed.splitlines() if not line.startswith(".")}
    files = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "requirements.lock.txt"}
    assert top == {*files, *FOLDERS, "tests"}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(command, cwd=ROOT, capture_output=True, check=True, env={**os.environ, "PYTHONSAFEPATH": "1"})
    (path,) = folder.glob("*.whl")
    with zipfile.ZipFile(path) as opened:
        return opened


def test_the_wheel_owns_four_names(wheel: zipfile.ZipFile) -> None:
    """No tests, no stray module: the four import names and the wheel's own metadata."""
    top = {name.split("/")[0] for name in wheel.namelist()}
    assert {name for name in top if not name.endswith(".dist-info")} == set(NAMES)


def test_the_wheel_holds_what_is_not_python(wheel: zipfile.ZipFile) -> None:
    """The pages' assets, the sample settings and the licence travel along."""
    names = set(wheel.namelist())
    assert "fixtures/settings/sample.toml" in names
    assert any(name.startswith("dashboard/assets/") and name.endswith(".css") for name in names)
    assert any(name.endswith("LICENSE") for name in names)


def test_everything_declared_is_pinned() -> None:
    """The lock holds a plain pin of each dependency, of the run and of the tests: no extras, no hashes, no ranges."""
    lines = (ROOT / "requirements.lock.txt").read_text(encoding="utf-8").splitlines()
    pins = {line.partition("==")[0].lower().replace("_", "-") for line in lines}
    assert all(line.count("==") == 1 and not set(line) & set(" [;<>~") for line in lines)
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = [*project["dependencies"], *project["optional-dependencies"]["test"]]
    wanted = {requirement.split(">")[0].split("=")[0].strip().lower().replace("_", "-") for requirement in declared}
    assert wanted <= pins
