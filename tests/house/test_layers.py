"""Layers import only earlier ones, from this clone, and nothing that pyproject.toml does not list."""

import ast
import importlib
import re
import sys
import tomllib
from functools import cache
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
LAYERS = ["vision", "calib_data", "api", "tools"]  # each may import those before it
SERVICE = ["access", "visits", "photos", "records", "review", "pages"]  # so may its packages
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


@cache  # most tests here ask it of every file
def imported_names(path: Path) -> tuple[str, ...]:
    """Every module that a file imports, at any depth; relative imports as `.`."""
    names: list[str] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names.append("." * node.level + (node.module or ""))
    return tuple(names)


@pytest.mark.parametrize("layer", LAYERS)
def test_a_layer_imports_only_earlier_ones(layer):
    later = LAYERS[LAYERS.index(layer) + 1 :]
    wrong = [
        (path.name, name)
        for path in (ROOT / layer).rglob("*.py")
        for name in imported_names(path)
        if name.split(".")[0] in later or name.startswith(".")
    ]
    assert not wrong


@pytest.mark.parametrize("package", SERVICE)
def test_a_package_of_the_service_imports_only_earlier_ones(package):
    later = {f"api.{name}" for name in SERVICE[SERVICE.index(package) + 1 :]}
    wrong = [
        (path.name, name)
        for path in (ROOT / "api" / package).rglob("*.py")
        for name in imported_names(path)
        if ".".join(name.split(".")[:2]) in later
    ]
    assert not wrong


def test_the_test_for_layers_sees_imports_of_every_kind(tmp_path):
    path = tmp_path / "some.py"
    path.write_text("import tools.cli\ndef f():\n    from api import app\n    from . import x\n")
    assert sorted(imported_names(path)) == [".", "api", "tools.cli"]


def packages() -> list[str]:
    """Every package of the layers, as its folders say."""
    found = (
        init.parent.relative_to(ROOT) for layer in LAYERS for init in (ROOT / layer).rglob("__init__.py")
    )
    return sorted(".".join(folder.parts) for folder in found)


@pytest.mark.parametrize("package", packages())
def test_a_package_is_imported_from_this_clone(package):
    # `api` and `tools` are common names, and another package of that name would win in silence.
    module = importlib.import_module(package)
    assert Path(module.__file__ or "").resolve().is_relative_to(ROOT.resolve())


def test_every_package_is_installed_with_the_others():
    assert packages() == sorted(PROJECT["tool"]["setuptools"]["packages"])


def test_every_module_lies_in_a_package():
    stray = [
        path.relative_to(ROOT)
        for layer in LAYERS
        for path in (ROOT / layer).rglob("*.py")
        if not (path.parent / "__init__.py").is_file()
    ]
    assert not stray


# What walks the pages in a browser, for tests and screenshots; no command of plumbsight imports it.
WITH_TEST_EXTRA = {("phone.py", "playwright"), ("screenshots.py", "playwright")}


# The packages that bring a large extra of their own; who imports them says so when the extra is missing.
RECHECK = (
    ROOT / "tools" / "recheck",
    ROOT / "calib_data" / "review",
    ROOT / "tools" / "studies",
    ROOT / "tools" / "benchmarks" / "bench_findings.py",
)
FLEET = (ROOT / "api" / "databases.py", ROOT / "api" / "photos" / "bucket.py")


def declared(requirements: list[str]) -> set[str]:
    return {_plain(re.split(r"[^\w.-]", one)[0]) for one in requirements}


def test_what_is_imported_is_a_declared_dependency():
    # tests/ is free to use the test extra; the layers are not, but for those who walk the pages.
    always = declared(PROJECT["project"]["dependencies"])
    extras = PROJECT["project"]["optional-dependencies"]
    extra = declared([*extras["recheck"], *extras["fleet"]])
    distributions = packages_distributions()
    undeclared = set()
    for path in (path for layer in LAYERS for path in (ROOT / layer).rglob("*.py")):
        known = always | extra if any(map(path.is_relative_to, (*RECHECK, *FLEET))) else always
        for top in {name.split(".")[0] for name in imported_names(path)}:
            if top not in LAYERS and top not in sys.stdlib_module_names:
                owners = {_plain(name) for name in distributions.get(top, [top])}
                # A hard dependency of a declared one may be named with it (pydantic_core with pydantic).
                if not owners & known and not any(_plain(top).startswith(name) for name in known):
                    undeclared.add((path.name, top))
    assert not undeclared - WITH_TEST_EXTRA


def test_only_the_walkers_themselves_import_what_the_test_extra_brings():
    importers = {
        path.name
        for layer in LAYERS
        for path in (ROOT / layer).rglob("*.py")
        if {"tools.phone", "tools.screenshots"} & set(imported_names(path))
    }
    assert importers <= {"screenshots.py"}


def _plain(name: str) -> str:
    return name.lower().replace("_", "-")
