"""The house rules, held by the machine."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SOURCES = sorted([*ROOT.glob("busprobe/**/*.py"), *ROOT.glob("simulators/**/*.py")])
TESTS = sorted(ROOT.glob("tests/**/test_*.py"))


def run(*command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False
    )


def test_floors_import_only_what_lies_below() -> None:
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys; sys.path[:0] = ['.', 'simulators'];"
            "from importlinter.cli import lint_imports;"
            "sys.exit(lint_imports(no_cache=True))",
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_lint_is_clean() -> None:
    done = run("ruff", "check", "--no-cache", ".")
    assert done.returncode == 0, done.stdout


def test_format_is_kept() -> None:
    done = run("ruff", "format", "--no-cache", "--check", ".")
    assert done.returncode == 0, done.stdout


@pytest.mark.timeout(600)
def test_types_are_strict() -> None:
    done = run("mypy")
    assert done.returncode == 0, done.stdout


def test_help_brings_in_nothing_heavy() -> None:
    code = (
        "import sys; sys.argv = ['busprobe', '--help']\n"
        "from busprobe.launch import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "heavy = {'textual', 'pydantic', 'pymodbus', 'numpy', 'rich', 'serial', 'asyncio'}\n"
        "found = sorted(heavy & set(sys.modules))\n"
        "assert not found, found\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "scan" in done.stdout


def test_only_the_output_module_writes_to_standard_output() -> None:
    offenders = [
        path.relative_to(ROOT).as_posix()
        for path in SOURCES
        if path.name != "output.py"
        and re.search(r"sys\.stdout\.write|\bprint\(", path.read_text(encoding="utf-8"))
    ]
    assert offenders == []


def test_write_requests_are_built_by_nobody_but_the_address_change() -> None:
    allowed = {"busprobe/wire/writing.py", "busprobe/procedures/change_address.py"}
    offenders = [
        name
        for path in ROOT.glob("busprobe/**/*.py")
        if (name := path.relative_to(ROOT).as_posix()) not in allowed
        and re.search(
            r"wire\.writing|wire import [^\n]*\bwriting\b", path.read_text(encoding="utf-8")
        )
    ]
    assert offenders == []


def test_no_file_outgrows_a_head() -> None:
    long = {
        path.relative_to(ROOT).as_posix(): count
        for path in SOURCES
        if (count := len(path.read_text(encoding="utf-8").splitlines())) > 500
    }
    assert long == {}


def _asserts(function: ast.AST, helpers: frozenset[str] = frozenset()) -> bool:
    for node in ast.walk(function):
        if isinstance(node, ast.Assert):
            return True
        if isinstance(node, ast.Call):
            name = ast.unparse(node.func).rsplit(".", 1)[-1]
            if name in {"raises", "fail"} | helpers or re.match(
                r"(assert|check|expect|snap_compare)", name
            ):
                return True
    return False


def test_every_test_can_fail() -> None:
    vacuous = []
    for path in TESTS:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        functions = [
            node
            for node in ast.walk(tree)
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        ]
        # A helper of the same file that asserts does it for the tests that call it.
        helpers = frozenset(node.name for node in functions if _asserts(node))
        for node in functions:
            if node.name.startswith("test_") and not _asserts(node, helpers):
                vacuous.append(f"{path.relative_to(ROOT).as_posix()}:{node.name}")
    assert vacuous == []


def test_no_test_sleeps() -> None:
    sleepers = [
        path.relative_to(ROOT).as_posix()
        for path in TESTS
        if re.search(r"\bsleep\((?!0\))", path.read_text(encoding="utf-8"))
        and path != Path(__file__)
    ]
    assert sleepers == []


def test_every_public_module_says_what_it_is() -> None:
    silent = [
        path.relative_to(ROOT).as_posix()
        for path in SOURCES
        if not ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))
    ]
    assert silent == []


def _names_imported(path: Path, package: str) -> set[str]:
    """Modules of a package that a file speaks of, those for types and inside functions too."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            # "from package import module" names a module; "from module import name" does not.
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return {name for name in found if name.split(".")[0] == package}


def test_no_two_modules_need_each_other() -> None:
    # Not even for their types: what both sides speak of lies below them. The package's face only
    # hands on what its modules make.
    modules = {
        ".".join(path.relative_to(ROOT).with_suffix("").parts): path
        for path in SOURCES
        if path.is_relative_to(ROOT / "busprobe") and path.name != "__init__.py"
    }
    needs = {
        name: {n for n in _names_imported(path, "busprobe") if n in modules and n != name}
        for name, path in modules.items()
    }
    assert sum(map(len, needs.values())) > len(modules)
    try:
        order = tuple(TopologicalSorter(needs).static_order())
    except CycleError as error:
        pytest.fail(" -> ".join(error.args[1]))
    assert len(order) == len(modules)
