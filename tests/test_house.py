"""The rules of the house that can be read off the tree."""

from __future__ import annotations

import ast
import fnmatch
import functools
import json
import re
import subprocess
import sys
import tomllib
from collections import Counter
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

import pqcheck
import pqcheck.cli

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "pqcheck"
MODULES = sorted(PACKAGE.rglob("*.py"))
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

HEAVY = ("jsonschema", "matplotlib", "numpy", "pandas", "pint", "polars", "pyarrow", "scipy", "tabulate")


def named(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@functools.cache
def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


# Ranks.


class Room:
    """One row of the table in DEVELOPERS.md."""

    def __init__(self, cells: list[str]) -> None:
        rank, self.name, modules, self.purpose = cells
        self.rank = int(rank)
        self.patterns = re.findall(r"`([^`]+)`", modules)


def developers_section(title: str) -> str:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    return text.split(f"\n## {title}\n")[1].split("\n## ")[0]


def rooms() -> list[Room]:
    rows = re.findall(r"^\| (\d+ .*) \|$", developers_section("The house"), flags=re.MULTILINE)
    return [Room([cell.strip() for cell in row.split("|")]) for row in rows]


ROOMS = rooms()


def room_of(top: str) -> Room:
    matching = [room for room in ROOMS if any(fnmatch.fnmatchcase(top, pattern) for pattern in room.patterns)]
    assert len(matching) == 1, f"pqcheck.{top} must stand in exactly one room of the table in DEVELOPERS.md"
    return matching[0]


def top_of(path: Path) -> str:
    """The module or package directly below pqcheck that a file belongs to; empty for the package itself."""
    first = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    return "" if first == "__init__" else first


def imports(path: Path) -> Iterator[tuple[int, str]]:
    """Line and top module of every import from pqcheck, wherever in the file it stands."""
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{named(path)}:{node.lineno} imports relatively; write the full name"
            full = [f"{node.module}.{alias.name}" if node.module == "pqcheck" else str(node.module)
                    for alias in node.names]
        elif isinstance(node, ast.Import):
            full = [alias.name for alias in node.names]
        else:
            continue
        for name in full:
            if name.startswith("pqcheck."):
                yield node.lineno, name.split(".")[1]


def test_the_table_of_rooms_is_read() -> None:
    assert len(ROOMS) > 15
    assert {room.rank for room in ROOMS} == set(range(11))


def test_a_module_imports_only_from_below() -> None:
    upward = []
    for path in MODULES:
        if not top_of(path):
            continue
        own = room_of(top_of(path))
        for line, top in imports(path):
            if top in pqcheck.__all__:
                continue
            other = room_of(top)
            if other.rank >= own.rank and other is not own:
                upward.append(f"{named(path)}:{line} (rank {own.rank}) imports pqcheck.{top} (rank {other.rank})")
    assert upward == []


def imported_at_once(path: Path) -> set[str]:
    """Modules of the package that a module imports when it is itself imported."""
    wanted = set()
    for node in parsed(path).body:
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("pqcheck"):
            full = {f"{node.module}.{alias.name}" for alias in node.names}
            wanted |= full if full <= NAMES else full | {str(node.module)}
        elif isinstance(node, ast.Import):
            wanted |= {alias.name for alias in node.names}
    return wanted


def dotted(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


NAMES = {dotted(path) for path in MODULES}


def test_modules_import_each_other_in_no_circle() -> None:
    graph = {dotted(path): imported_at_once(path) & NAMES - {dotted(path)} for path in MODULES}
    try:
        tuple(TopologicalSorter(graph).static_order())
    except CycleError as error:
        pytest.fail(f"a circle: {' -> '.join(error.args[1])}")


def test_no_two_modules_have_one_name() -> None:
    stems = Counter(path.stem for path in MODULES if path.stem != "__init__")
    assert [stem for stem, count in stems.items() if count > 1] == []


# The table of places.


def defined_in(path: Path) -> set[str]:
    """Names of the functions and classes of a module, methods as ``Class.method``."""
    names = set()
    for node in parsed(path).body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            names.add(node.name)
        if isinstance(node, ast.ClassDef):
            names |= {f"{node.name}.{below.name}" for below in node.body if isinstance(below, ast.FunctionDef)}
    return names


def test_every_place_of_the_table_where_is_what_exists() -> None:
    rows = re.findall(r"^\| (.+) \| (.+) \|$", developers_section("Where is ...?"), flags=re.MULTILINE)[1:]
    assert len(rows) >= 18
    lost = []
    for what, where in rows:
        places = re.findall(r"`([^`]+)`", where)
        if not places:
            lost.append(f"{what}: no place")
        for place in places:
            name, _, function = place.partition(":")
            path = ROOT / name
            if not path.is_file() or (function and function not in defined_in(path)):
                lost.append(f"{what}: {place}")
    assert lost == []


# Size, documentation, habits.


def test_a_module_has_at_most_400_lines() -> None:
    lengths = {named(path): len(path.read_text(encoding="utf-8").splitlines()) for path in MODULES}
    assert {name: length for name, length in lengths.items() if length > 400} == {}


def public(body: list[ast.stmt]) -> Iterator[ast.FunctionDef | ast.ClassDef]:
    for node in body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                yield from public(node.body)


def test_everything_public_is_documented() -> None:
    bare = []
    for path in MODULES:
        tree = parsed(path)
        if not ast.get_docstring(tree):
            bare.append(named(path))
        bare += [f"{named(path)}:{n.lineno} {n.name}" for n in public(tree.body) if not ast.get_docstring(n)]
    assert bare == []


def test_only_the_command_line_prints_and_exits() -> None:
    places = []
    for path in MODULES:
        if top_of(path) in ("cli", "__main__"):
            continue
        for node in ast.walk(parsed(path)):
            if (isinstance(node, ast.Call) and ast.unparse(node.func) in ("print", "exit", "sys.exit")) or (
                isinstance(node, ast.Name) and node.id == "SystemExit"
            ):
                places.append(f"{named(path)}:{node.lineno}")
    assert places == []


def test_nothing_evaluates_text() -> None:
    calls = [
        f"{named(path)}:{node.lineno}"
        for path in MODULES
        for node in ast.walk(parsed(path))
        if isinstance(node, ast.Call) and ast.unparse(node.func) in ("eval", "exec", "compile", "builtins.eval")
    ]
    assert calls == []


# What starting up costs.

REPORT = f"""
import json, sys
from pqcheck.cli import main
try:
    main(sys.argv[1:])
except SystemExit:
    pass
print()
print(json.dumps([name for name in {HEAVY!r} if name in sys.modules]))
"""


def loaded_by(*arguments: str) -> list[str]:
    """Heavy libraries imported by a command line."""
    done = subprocess.run(
        [sys.executable, "-c", REPORT, *arguments], capture_output=True, text=True, check=True, cwd=ROOT
    )
    loaded: list[str] = json.loads(done.stdout.splitlines()[-1])
    return loaded


COMMANDS = [name for name in pqcheck.cli.COMMANDS if (PACKAGE / "cli" / f"{name}.py").exists()]


def test_help_imports_nothing_heavy() -> None:
    assert loaded_by("--help") == []


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_a_command_imports_nothing_heavy(command: str) -> None:
    assert loaded_by(command, "--help") == []


def test_importing_the_package_imports_nothing_heavy() -> None:
    code = f"import sys, pqcheck; sys.exit(any(name in sys.modules for name in {HEAVY!r}))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


# Shipping.


def test_every_package_is_listed() -> None:
    listed = PROJECT["tool"]["setuptools"]["packages"]
    packages = {".".join(path.parent.relative_to(ROOT).parts) for path in PACKAGE.rglob("__init__.py")}
    assert sorted(listed) == sorted(packages | {"pqcheck.limits"})


CODE = (".py", ".pyc", ".pyi", ".c", ".so", ".pyd")
"""Shipped, or built from what is shipped, without being named as data."""


def test_every_data_file_is_shipped() -> None:
    patterns = PROJECT["tool"]["setuptools"]["package-data"]["*"]
    for path in [*PACKAGE.rglob("*"), *(ROOT / "limits").iterdir()]:
        if path.is_file() and path.suffix not in CODE:
            assert any(fnmatch.fnmatch(path.name, pattern) for pattern in patterns), named(path)


def test_one_version() -> None:
    assert PROJECT["project"]["version"] == pqcheck.__version__


def test_every_offered_name_is_there() -> None:
    for name in pqcheck.__all__:
        assert getattr(pqcheck, name) is not None
    assert dir(pqcheck) == sorted(pqcheck.__all__)
    with pytest.raises(AttributeError, match="has no attribute 'chek'"):
        pqcheck.chek  # noqa: B018


def test_the_top_level_holds_exactly_the_agreed_names() -> None:
    agreed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "pqcheck", "limits", "tests", "reference_cases", "docs"}
    if (ROOT / ".git").exists():
        listing = subprocess.run(
            ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
            capture_output=True, text=True, check=True, cwd=ROOT,
        )
        names = {line.split("/")[0] for line in listing.stdout.splitlines()}
    else:
        ignored = ("build", "dist", "*.egg-info", "__pycache__")
        names = {path.name for path in ROOT.iterdir()
                 if not any(fnmatch.fnmatch(path.name, pattern) for pattern in ignored)}
    assert {name for name in names if not name.startswith(".")} == agreed


def test_ci_runs_the_second_command_of_the_readme() -> None:
    """`.ci/run` picks it by place; this is what it picks."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    block = re.search(r"```sh\n(.*?)```", text, flags=re.DOTALL)
    assert block
    first, second, *_ = block[1].splitlines()
    assert first.endswith("pqcheck demo")
    assert second.endswith("-m pytest")
