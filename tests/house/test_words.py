"""What is written beside the code: docstrings, the error tree, and texts that work on every machine."""

import ast
import re
import subprocess
from functools import cache
from pathlib import Path

import pytest

from vision import errors
from vision.errors import PlumbsightError

ROOT = Path(__file__).parents[2]
LAYERS = ("vision", "calib_data", "api", "tools")
MODULES = sorted(path for layer in LAYERS for path in (ROOT / layer).rglob("*.py"))


def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def _is_sentence(text: str | None) -> bool:
    """Whether a docstring's first paragraph begins with a capital or figure and ends with a stop."""
    first = (text or "").strip().split("\n\n")[0]
    return bool(re.match(r"[A-Z0-9`(a-z_.]+", first)) and first.rstrip(")`\"'").endswith((".", ":", "?"))


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.name)
def test_a_module_begins_with_a_sentence(path):
    assert _is_sentence(ast.get_docstring(_tree(path)))


@pytest.mark.parametrize("path", sorted((ROOT / "vision").rglob("*.py")), ids=lambda path: path.name)
def test_every_public_function_of_vision_says_what_it_does(path):
    silent = [
        node.name
        for node in _tree(path).body
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_")
        if not _is_sentence(ast.get_docstring(node))
    ]
    assert not silent


def _error_classes() -> list[type[PlumbsightError]]:
    return [
        one for one in vars(errors).values() if isinstance(one, type) and issubclass(one, PlumbsightError)
    ]


@pytest.mark.parametrize("error", _error_classes(), ids=lambda error: error.__name__)
def test_an_error_is_in_the_tree_and_somewhere_raised(error):
    assert re.search(rf"^[│├└─ ]*{error.__name__}\b", errors.__doc__ or "", re.MULTILINE)
    assert _is_sentence(error.__doc__)
    assert any(error.__name__ in _raised(path) for path in MODULES)


@cache  # each error asks it of every module
def _raised(path: Path) -> set[str]:
    """Names that a module raises, or hands to the function that will."""
    found = set()
    for node in ast.walk(_tree(path)):
        parts = [node.exc] if isinstance(node, ast.Raise) else node.args if isinstance(node, ast.Call) else []
        for part in parts:
            made = part.func if isinstance(part, ast.Call) else part
            if isinstance(made, ast.Name):
                found.add(made.id)
    return found


def test_errors_for_the_users_eyes_are_all_drawn_in_one_file():
    known = {error.__name__ for error in _error_classes()}
    elsewhere = [
        (path.name, node.name)
        for path in MODULES
        if path.name != "errors.py"
        for node in ast.walk(_tree(path))
        if isinstance(node, ast.ClassDef)
        and known & {ast.unparse(base).split(".")[-1] for base in node.bases}
    ]
    assert not elsewhere


# Spelled so that this file does not hold what it looks for.
FOREIGN = re.compile(
    r"(?<![\w.])/(?:home|root|Users|work|tmp|mnt|private)/[\w.]"
    r"|\b[A-Z]:\\\\?(?:Users|Temp)\b"
    r"|\b(?:pypi|test\.pypi)\.org\b|\bpythonhosted\.org\b|\bregistry\.npmjs\b|\bcrates\.io\b|\bproxy\.golang\b"
    r"|--(?:extra-)?index-url"
)


def _tracked() -> list[Path]:
    try:
        listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("not a git clone, so it is not known which files belong to it")
    return [ROOT / name for name in listed.stdout.decode().split("\0") if name]


def test_no_text_names_a_path_of_one_machine_or_a_package_registry():
    found = []
    for path in _tracked():
        data = path.read_bytes() if path.is_file() else b""
        if b"\0" in data:
            continue  # a photo
        for i, line in enumerate(data.decode("utf-8", "replace").splitlines(), start=1):
            if FOREIGN.search(line):
                found.append(f"{path.relative_to(ROOT)}:{i}")
    assert not found


@pytest.mark.parametrize(
    "parts", [("see /ho", "me/anna/x"), ("at /tm", "p/x"), ("https://py", "pi.org/simple")]
)
def test_the_test_for_paths_sees_what_it_looks_for(parts):
    assert FOREIGN.search("".join(parts))
