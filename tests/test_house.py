"""The rules of the house, held over the sources themselves."""

from __future__ import annotations

import ast
import io
import re
import subprocess
import sys
import tokenize
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "controller_sim"
FOLDERS = ("core", "midi", "design", "reference", "simulator", "script", "view", "verify", "port", "testing", "cli")
"""A folder may import those before it, and itself."""
STANDALONE = ("core", "midi")
"""Folders that import nothing of ours."""
PUBLIC = ("design", "simulator", "script", "midi", "testing", "view", "port")
"""Folders whose public names a reader of the library meets."""
MOST_FUNCTION_LINES = 60
MOST_FILE_LINES = 600
CORE_IMPORTS = {"array", "heapq"}
"""What core may import besides itself: what MicroPython has too."""
HEAVY = {"lark", "mido", "transitions", "hypothesis", "pytest", "jsonschema", "fpdf", "vcd"}

SOURCES = sorted(PACKAGE.rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("*.py"))
TREES = {path: ast.parse(path.read_text(encoding="utf-8"), str(path)) for path in SOURCES + TESTS}


def name(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def folder(path: Path) -> str:
    parts = path.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else ""


def is_type_checking(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and ast.unparse(node.test) in ("TYPE_CHECKING", "typing.TYPE_CHECKING")


def running(node: ast.AST) -> Iterator[ast.AST]:
    """The nodes that run; what stands under `if TYPE_CHECKING` does not."""
    for child in ast.iter_child_nodes(node):
        if is_type_checking(child):
            assert isinstance(child, ast.If)
            for statement in child.orelse:
                yield statement
                yield from running(statement)
        else:
            yield child
            yield from running(child)


def imports(path: Path) -> Iterator[tuple[int, str]]:
    """Line and full name of each module that a source imports."""
    package = path.relative_to(ROOT).with_suffix("").parts[:-1]
    for node in running(TREES[path]):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            base = list(package[: len(package) - node.level + 1]) if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            if module in ("controller_sim", "controller_sim.core"):
                for alias in node.names:
                    yield node.lineno, f"{module}.{alias.name}"
            else:
                yield node.lineno, module


@pytest.mark.parametrize("path", SOURCES, ids=name)
def test_imports_point_one_way(path: Path) -> None:
    here = folder(path)
    if not here:
        return
    for line, module in imports(path):
        parts = module.split(".")
        if parts[0] != "controller_sim" or len(parts) < 2 or parts[1] not in FOLDERS:
            continue
        there = parts[1]
        allowed = there == here or (here not in STANDALONE and FOLDERS.index(there) < FOLDERS.index(here))
        assert allowed, f"{name(path)}:{line}: {here} must not import {there}"


def test_every_folder_has_its_place_in_the_order() -> None:
    assert {folder(path) for path in SOURCES} - {""} <= set(FOLDERS)


CORE = [path for path in SOURCES if folder(path) == "core"]
ON_BOARDS = [path for path in SOURCES if path.is_relative_to(PACKAGE / "port" / "runtime")]
"""What runs on MicroPython alone, with a board's own modules."""
LACKING_METHODS = {
    "bit_count", "bit_length", "as_integer_ratio", "zfill", "ljust", "rjust", "removeprefix", "removesuffix", "casefold", "title",
    "expandtabs", "swapcase", "translate", "maketrans", "isalnum",
}  # fmt: skip
LACKING_BASES = {"bytearray", "array", "memoryview"}
"""What cannot be multiplied; `bytearray(bytes((255,)) * size)` can."""


@pytest.mark.parametrize("path", CORE, ids=name)
def test_core_imports_only_what_micropython_has(path: Path) -> None:
    for line, module in imports(path):
        assert module.startswith("controller_sim.core") or module in CORE_IMPORTS, f"{name(path)}:{line}: core must not import {module}"


@pytest.mark.parametrize("path", CORE, ids=name)
def test_core_has_no_floats_no_clock_and_no_files(path: Path) -> None:
    for node in running(TREES[path]):
        where = f"{name(path)}:{getattr(node, 'lineno', 0)}"
        assert not (isinstance(node, ast.Constant) and isinstance(node.value, float | complex)), f"{where}: a float"
        if isinstance(node, ast.BinOp | ast.AugAssign):
            assert not isinstance(node.op, ast.Div), f"{where}: true division gives a float; use //"
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id not in ("open", "print", "input", "float", "exec", "eval", "compile"), f"{where}: {node.func.id} in core"


def lacking(node: ast.AST) -> str:
    """What MicroPython does not have of a piece of syntax, or does otherwise than Python does; empty where there is nothing."""
    match node:
        case ast.Match() | ast.AsyncFunctionDef() | ast.AnnAssign() | ast.TryStar():
            return type(node).__name__
        case ast.arguments() if node.posonlyargs or any(each.annotation for each in (*node.args, *node.kwonlyargs)):
            return "positional-only or annotated parameters"
        case ast.List(ctx=ast.Load()) | ast.Tuple(ctx=ast.Load()) | ast.Set() if any(isinstance(each, ast.Starred) for each in node.elts):
            return "unpacking in a display"
        case ast.Dict() if None in node.keys:
            return "unpacking in a display"
        case ast.Attribute() if node.attr in LACKING_METHODS:
            return node.attr
        case ast.Call(func=ast.Name(id="sorted" | "zip"), keywords=[_, *_]):
            return "sorting by a key, which is not stable there, or zip(strict=)"
        case ast.BinOp(op=ast.Mult(), left=left, right=right):
            names = {each.func.id for each in (left, right) if isinstance(each, ast.Call) and isinstance(each.func, ast.Name)}
            return "a bytearray or array multiplied" if names & LACKING_BASES else ""
        case ast.Slice(step=ast.expr()):
            return "a slice with a step"
    return ""


@pytest.mark.parametrize("path", CORE + ON_BOARDS, ids=name)
def test_what_runs_on_boards_uses_nothing_that_micropython_lacks(path: Path) -> None:
    for node in running(TREES[path]):
        assert not lacking(node), f"{name(path)}:{getattr(node, 'lineno', 0)}: {lacking(node)}"


@pytest.mark.parametrize(
    "source",
    [
        *("[*a]", "{**a}", "(1, *a)", "def f(a, /): pass", "def f(a: int): pass", "a: int = 1", "a.bit_length()", "sorted(a, key=b)"),
        *("zip(a, b, strict=True)", "bytearray(1) * 2", "2 * bytearray(b)", "a[::2]", "match a:\n    case 1: pass", "a.ljust(3)"),
    ],
)
def test_the_rule_for_boards_knows_what_micropython_lacks(source: str) -> None:
    assert any(lacking(node) for node in running(ast.parse(source)))


@pytest.mark.parametrize("path", SOURCES + TESTS, ids=name)
def test_functions_fit_a_screen(path: Path) -> None:
    for node in ast.walk(TREES[path]):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            assert node.end_lineno is not None
            lines = node.end_lineno - node.lineno + 1
            assert lines <= MOST_FUNCTION_LINES, f"{name(path)}:{node.lineno}: {node.name} has {lines} lines"


@pytest.mark.parametrize("path", SOURCES + TESTS, ids=name)
def test_files_stay_readable(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= MOST_FILE_LINES


@pytest.mark.parametrize("path", SOURCES, ids=name)
def test_only_the_command_line_prints_and_reads_a_clock(path: Path) -> None:
    if folder(path) == "cli" or path.name == "__main__.py" or path in ON_BOARDS:
        return
    for node in running(TREES[path]):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id not in ("print", "input"), f"{name(path)}:{node.lineno}: {node.func.id} outside cli"
    for line, module in imports(path):
        assert module not in ("time", "random", "argparse"), f"{name(path)}:{line}: {module} outside cli"


UNFINISHED = re.compile(r"\b(TO" + r"DO|FIX" + r"ME|XX" + r"X|HA" + r"CK)\b")
BARE = re.compile(r"#\s*(noqa|type:\s*ignore)(?P<codes>\[[\w, -]+\]|:\s*[A-Z0-9, ]+)?\s*(?P<reason>#?.*)$")


def comments(path: Path) -> Iterator[tuple[int, str]]:
    for token in tokenize.generate_tokens(io.StringIO(path.read_text(encoding="utf-8")).readline):
        if token.type == tokenize.COMMENT:
            yield token.start[0], token.string


@pytest.mark.parametrize("path", SOURCES + TESTS, ids=name)
def test_nothing_is_left_for_later(path: Path) -> None:
    for line, comment in comments(path):
        assert not UNFINISHED.search(comment), f"{name(path)}:{line}: {comment}"


@pytest.mark.parametrize("path", SOURCES, ids=name)
def test_a_silenced_check_is_named_exactly(path: Path) -> None:
    for line, comment in comments(path):
        match = BARE.search(comment)
        assert not match or match["codes"], f"{name(path)}:{line}: say which check is silenced: {comment}"


def offered(package: Path) -> set[str]:
    """The names in the `__all__` of a folder's `__init__`."""
    for node in TREES[package / "__init__.py"].body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return set(ast.literal_eval(node.value))
    return set()


@pytest.mark.parametrize("package", PUBLIC)
def test_everything_a_folder_offers_says_what_it_does(package: str) -> None:
    names = offered(PACKAGE / package) | offered(PACKAGE)
    for path in SOURCES:
        for node in TREES[path].body if folder(path) == package else ():
            if isinstance(node, ast.FunctionDef | ast.ClassDef) and node.name in names:
                assert ast.get_docstring(node), f"{name(path)}:{node.lineno}: {node.name} has no docstring"


@pytest.mark.parametrize("path", SOURCES, ids=name)
def test_every_module_says_what_it_is_for(path: Path) -> None:
    assert ast.get_docstring(TREES[path]) or not TREES[path].body


def loaded_by(statements: str) -> set[str]:
    """The top-level modules that some statements load in a fresh interpreter."""
    code = f"import sys\n{statements}\nprint('\\n'.join(sorted({{name.partition('.')[0] for name in sys.modules}})))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT, timeout=60)
    return set(done.stdout.split())


def loaded_by_command(*arguments: str) -> set[str]:
    return loaded_by(
        "import contextlib, io\n"
        "from controller_sim.cli import main\n"
        "with contextlib.redirect_stdout(io.StringIO()):\n"
        f"    assert main({list(arguments)!r}) == 0"
    )


@pytest.mark.parametrize("module", ["", ".cli", ".design.form", ".midi", ".core"])
def test_importing_loads_nothing_heavy(module: str) -> None:
    assert not loaded_by(f"import controller_sim{module}") & (HEAVY | {"ruamel"})


def test_help_loads_nothing_heavy_and_no_dataclasses() -> None:
    assert not loaded_by_command("--help") & (HEAVY | {"ruamel", "dataclasses", "inspect", "json"})


def test_check_loads_none_of_the_dependencies_but_the_yaml_reader() -> None:
    assert not loaded_by_command("check", str(ROOT / "configs" / "booth.yaml")) & HEAVY
