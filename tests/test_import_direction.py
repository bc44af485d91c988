"""Imports run one way: the level table of the design, read from the source by ast."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "assessor"
LEVELS = {
    "": 0, "errors": 0, "errors_photo": 0, "errors_job": 0, "flags": 0, "tables": 0,
    "values": 1,
    "card": 2, "texture": 2, "surface": 2, "grading": 2, "grouping": 2,
    "settings": 3, "intake": 3, "spot": 3, "estimating": 3, "surfacing": 3, "pipeline": 3, "zone": 3,
    "strip_estimate": 3, "strip_workflow": 5, "job": 3, "simulate": 3,
    "evaluation": 3, "evaluation_rows": 3, "evaluation_surface": 3, "evaluation_calls": 3,
    "store": 4, "report": 4,
    "asked": 5, "batch": 5, "capture_plan": 5, "workflow": 5, "zone_workflow": 5, "counting": 5,
    "water_drops": 5, "desk": 5, "chip_workflow": 5,
    "cli": 6, "cli_shared": 6, "cli_job": 6, "cli_job_photos": 6, "cli_job_judging": 6, "cli_methods": 6,
    "cli_chips": 6,
    "cli_store": 6, "cli_points": 6, "cli_drops": 6, "cli_zone": 6, "__main__": 6, "web": 6,
}  # fmt: skip
SIDE = "training"
# Disk, clock, network, processes; `tables` loads the package's own tables through importlib.resources.
OUTSIDE = {
    "os", "io.open", "time", "datetime.datetime.now", "socket", "urllib", "http", "requests", "subprocess",
    "tempfile", "shutil", "sqlite3", "threading", "multiprocessing", "concurrent", "logging", "warnings",
    "random",
}  # fmt: skip
FILES = sorted(PACKAGE.rglob("*.py"))


def module_name(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(part for part in parts if part != "__init__")


def top(module: str) -> str:
    """The part under assessor that has a level: "card" of "assessor.card.find"."""
    return module.split(".")[1] if "." in module else ""


@cache
def imports(path: Path) -> frozenset[str]:
    """Every module imported anywhere in a file, by full name."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.add(node.module or "")
            found.update(f"{node.module}.{alias.name}" for alias in node.names)
    return frozenset(found)


@cache
def own_imports(path: Path) -> frozenset[str]:
    """Modules of this package that a file imports (a name inside a module counts as the module)."""
    known = {module_name(file) for file in FILES if file != path}
    return frozenset(name for name in imports(path) if name in known)


@pytest.mark.parametrize("path", FILES, ids=module_name)
def test_imports_come_from_the_same_level_or_above(path: Path) -> None:
    own = top(module_name(path))
    assert own in LEVELS or own == SIDE, f"give {own} a level"
    if own == SIDE:
        return
    wrong = {name for name in own_imports(path) if LEVELS.get(top(name), 99) > LEVELS[own]}
    assert not wrong


def test_no_module_imports_itself_through_others() -> None:
    graph = {module_name(path): own_imports(path) for path in FILES}
    # A package's own __init__ is imported before its modules anyway; only real modules can form a loop.
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " -> ".join([*trail, name])
        if name not in done:
            for other in graph.get(name, frozenset()):
                visit(other, (*trail, name))
            done.add(name)

    for name in graph:
        visit(name, ())


@pytest.mark.parametrize(
    "path", [p for p in FILES if LEVELS.get(top(module_name(p)), 9) <= 3], ids=module_name
)
def test_stages_touch_no_disk_clock_or_network(path: Path) -> None:
    wrong = {name for name in imports(path) if name in OUTSIDE or name.split(".")[0] in OUTSIDE}
    assert not wrong
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id not in {"open", "print", "input"}, f"line {node.lineno}"
        if isinstance(node, ast.Attribute) and ast.unparse(node).startswith("np.random."):
            called = ast.unparse(node).removeprefix("np.random.")
            assert called in {"default_rng", "Generator", "SeedSequence"}, f"line {node.lineno}: {called}"


def test_the_command_line_never_reaches_torch_or_training() -> None:
    graph = {module_name(path): path for path in FILES}
    todo, seen = ["assessor.cli"], set()
    while todo:
        name = todo.pop()
        seen.add(name)
        outside = {other.split(".")[0] for other in imports(graph[name])}
        assert not outside & {"torch", "numba"}, name
        todo += [other for other in own_imports(graph[name]) if other not in seen]
    assert "assessor.pipeline" in seen
    assert not any(top(name) in {SIDE, "simulate"} for name in seen)


def test_the_table_would_catch_a_wrong_import(tmp_path: Path) -> None:
    bad = tmp_path / "bad.py"
    bad.write_text("import time\nfrom assessor.report import words\n")
    assert "assessor.report.words" in own_imports(bad)
    assert LEVELS[top("assessor.report.words")] > LEVELS["card"]
    assert "time" in imports(bad) & OUTSIDE


def functions() -> Iterator[tuple[str, ast.FunctionDef]]:
    for path in FILES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef):
                yield f"{module_name(path)}.{node.name}", node


def test_files_and_functions_stay_readable() -> None:
    """Budgets of the house style: 400 lines a file, 60 a function's body, 5 positional parameters."""
    lengths = {module_name(path): len(path.read_text(encoding="utf-8").splitlines()) for path in FILES}
    assert {name: n for name, n in lengths.items() if n > 400} == {}
    long, wide = {}, {}
    for name, node in functions():
        start = node.body[1 if ast.get_docstring(node) and len(node.body) > 1 else 0].lineno
        lines = (node.end_lineno or start) - start + 1
        arguments = len(
            [a for a in (*node.args.posonlyargs, *node.args.args) if a.arg not in {"self", "cls"}]
        )
        # The command line's functions are a list of options, each on its own line.
        if lines > 60:
            long[name] = lines
        if arguments > 5 and not name.startswith("assessor.cli."):
            wide[name] = arguments
    assert (long, wide) == ({}, {})
