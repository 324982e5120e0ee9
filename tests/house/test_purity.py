"""vision/ is arrays and frozen values in and out: no files, clock, log, web, print, or chance of its own."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

MODULES = {
    "glob", "http", "logging", "multiprocessing", "os", "pathlib", "pickle", "random", "requests", "secrets",
    "shelve", "shutil", "socket", "sqlite3", "subprocess", "tempfile", "threading", "time", "urllib", "uuid",
    "warnings",
}  # fmt: skip
CALLS = {"open", "print", "input", "exec", "eval", "breakpoint"}
# Clocks of a module that is otherwise allowed, and files through libraries.
DOTTED = {
    "datetime.now", "datetime.today", "datetime.utcnow", "date.today", "io.open", "cv2.imread",
    "cv2.imwrite", "cv2.imreadmulti", "np.load", "np.save", "np.savez", "np.loadtxt", "np.savetxt",
    "np.genfromtxt", "np.fromfile", "np.memmap",
}  # fmt: skip


def impurities(source: str) -> Iterator[str]:
    """What a module does that vision/ must not, as `line: what`."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names = [alias.name.split(".")[0] for alias in node.names]
            yield from (f"{node.lineno}: import {name}" for name in names if name in MODULES)
        elif isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] in MODULES:
            yield f"{node.lineno}: from {node.module}"
        elif isinstance(node, ast.Global):
            yield f"{node.lineno}: global"
        elif isinstance(node, ast.Call):
            name = ast.unparse(node.func)
            if name in CALLS or name.endswith(tuple(DOTTED)) or _is_chance(name, node):
                yield f"{node.lineno}: {name}()"


def _is_chance(name: str, call: ast.Call) -> bool:
    """Numpy's old generator, which all share, or a new one without a seed."""
    if name.endswith("default_rng"):
        return not (call.args or call.keywords)
    return ".random." in name and not name.endswith(("Generator", "SeedSequence"))


@pytest.mark.parametrize("path", sorted((ROOT / "vision").rglob("*.py")), ids=lambda path: path.name)
def test_vision_is_pure(path):
    assert not list(impurities(path.read_text(encoding="utf-8")))


@pytest.mark.parametrize(
    "line",
    [
        "import time",
        "from pathlib import Path",
        "import urllib.request",
        "f = open('x')",
        "print(1)",
        "t = datetime.datetime.now()",
        "cv2.imread('x')",
        "rng = np.random.default_rng()",
        "x = np.random.normal()",
        "def f():\n    import logging",
        "def f():\n    global g",
    ],
)
def test_the_test_for_purity_sees_what_it_looks_for(line):
    assert list(impurities(line))


def test_the_test_for_purity_lets_pure_code_pass():
    assert not list(
        impurities("rng = np.random.default_rng(3)\nx = rng.normal()\np = Image.open(BytesIO(b))")
    )
