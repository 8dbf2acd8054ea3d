"""What is documented and checked in `pqcheck.physics` is what runs: no function is there for the tests alone."""

from __future__ import annotations

import ast
from pathlib import Path

import pqcheck

PACKAGE = Path(pqcheck.__file__).parent
PHYSICS = {path: ast.parse(path.read_text(encoding="utf-8")) for path in sorted((PACKAGE / "physics").glob("*.py"))}


def called(tree: ast.Module, *, besides: str = "") -> set[str]:
    """Plain names read in a module outside the function `besides`; a name imported and never used is none of them."""
    bodies = [node for node in tree.body if not (isinstance(node, ast.FunctionDef) and node.name == besides)]
    return {node.id for body in bodies for node in ast.walk(body) if isinstance(node, ast.Name)}


def imported(tree: ast.Module, name: str) -> bool:
    return any(
        alias.name == name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("pqcheck.physics.")
        for alias in node.names
    )


def test_every_public_function_has_a_caller_in_the_package() -> None:
    others = {
        path: tree
        for path in sorted(PACKAGE.rglob("*.py"))
        if "pqcheck.physics" in (text := path.read_text(encoding="utf-8")) and (tree := ast.parse(text))
    }
    uncalled, functions = [], 0
    for path, tree in PHYSICS.items():
        for node in tree.body:
            if not isinstance(node, ast.FunctionDef) or node.name.startswith("_"):
                continue
            functions += 1
            within = node.name in called(tree, besides=node.name)
            if not within and not any(
                imported(other, node.name) and node.name in called(other) for other in others.values()
            ):
                uncalled.append(f"{path.name}: {node.name}")
    assert functions > 20
    assert uncalled == []
