"""The package keeps its shape: imports one way, nothing prints but the command line, no lumps."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "wallsim"
ORDER = (
    "errors", "rounding", "units", "toml_lines", "file_kinds", "source", "materials", "case",
    "logs", "wall", "regression", "consistency", "reading_units", "plausibility", "build", "quick",
    "estimate", "plan", "starter", "workers", "output", "report", "check", "api", "api_next",
    "progress", "commands", "cli",
)
ALLOWED = {
    "regression": {"regression", "errors"},
    "wall": {"wall", "errors", "materials"},
    "report": {"report", "errors", "rounding", "units", "__version__"},
}
MODULES = sorted(PACKAGE.rglob("*.py"))


def part(path):
    relative = path.relative_to(PACKAGE)
    return relative.parts[0].removesuffix(".py")


def imports(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            module = node.module or ""
            assert node.level == 0, "imports within the package are absolute"
            if module == "wallsim":
                yield from (a.name for a in node.names)
            elif module.startswith("wallsim."):
                yield module.split(".")[1]
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
    for there in set(imports(parsed(path))) - {"__version__"}:
        assert ORDER.index(there) <= ORDER.index(here), f"{here} must not import {there}"


@pytest.mark.parametrize("name", ALLOWED)
def test_some_parts_know_little_of_the_rest(name):
    paths = [path for path in MODULES if part(path) == name]
    assert paths, f"the package has no part {name}"
    for path in paths:
        assert set(imports(parsed(path))) <= ALLOWED[name], path


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_modules_and_functions_stay_small_and_public_ones_say_what_they_do(path):
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 400
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            if isinstance(node, ast.FunctionDef):
                assert node.end_lineno - node.lineno < 60, node.name
            if node.col_offset == 0 and not node.name.startswith("_"):
                for thing in (node, *public_methods(node)):
                    assert ast.get_docstring(thing), f"{thing.name} has no docstring"


def public_methods(node):
    """Methods of a class that carry a meaning of their own."""
    if isinstance(node, ast.ClassDef):
        for item in node.body:
            if isinstance(item, ast.FunctionDef) and not item.name.startswith("_"):
                yield item


def test_only_the_command_line_prints():
    for path in MODULES:
        if part(path) in ("commands", "cli"):
            continue
        for node in ast.walk(parsed(path)):
            if isinstance(node, ast.Name):
                assert node.id != "print", path
            elif isinstance(node, ast.Attribute):
                assert node.attr not in {"stdout", "stderr"}, path
