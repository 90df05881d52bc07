"""The package keeps its shape: imports one way, nothing prints but the command line, no lumps."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "wallsim"
ORDER = (
    "errors", "units", "toml_lines", "source", "materials", "case", "logs", "wall", "regression",
    "build", "estimate", "starter", "workers", "output", "report", "check", "api", "cli",
)
ALLOWED = {"regression": {"regression", "errors"}, "wall": {"wall", "errors", "materials"}}
MODULES = sorted(PACKAGE.rglob("*.py"))


def part(path):
    relative = path.relative_to(PACKAGE)
    return relative.parts[0].removesuffix(".py")


def imports(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("wallsim."):
            yield node.module.split(".")[1]
        elif isinstance(node, ast.Import):
            yield from (a.name.split(".")[1] for a in node.names if a.name.startswith("wallsim."))


def parsed(path):
    return ast.parse(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_backwards(path):
    here = part(path)
    if here == "__init__":
        return
    assert here in ORDER, f"{here} has no place in the order of the package"
    for there in imports(parsed(path)):
        assert ORDER.index(there) <= ORDER.index(here), f"{here} must not import {there}"


def test_the_estimator_knows_no_physics_and_the_wall_no_case():
    for path in MODULES:
        allowed = ALLOWED.get(part(path))
        if allowed:
            assert set(imports(parsed(path))) <= allowed, path


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_modules_and_functions_stay_small_and_public_ones_say_what_they_do(path):
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 400
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            if isinstance(node, ast.FunctionDef):
                assert node.end_lineno - node.lineno < 60, node.name
            if not node.name.startswith("_") and node.col_offset == 0:
                assert ast.get_docstring(node), f"{node.name} has no docstring"


def test_only_the_command_line_prints():
    for path in MODULES:
        if part(path) == "cli":
            continue
        for node in ast.walk(parsed(path)):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                assert node.func.id != "print", path
