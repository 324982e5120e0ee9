"""Which software measures: versions, and a digest of the code that computes.

The project's own version stays the same for many changes of its code, so it cannot tell whether a round that
was measured yesterday would come out the same today.
"""

import ast
import hashlib
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

from calib_data.result import made_with

# Where measuring a round again begins, and the packages that it takes. The service's code only hands over
# what an archive holds.
_START, _PACKAGES = "tools.recheck.again", ("vision", "calib_data", "tools")
_CONSTANTS = "calib_data/layouts/*.json"


@lru_cache(1)
def software() -> dict[str, str]:
    """What a row of the results was computed with; the same keys and values: the same numbers."""
    return made_with() | {"code": digest(Path(__file__).parents[2])}


def digest(root: Path) -> str:
    """SHA-256 of the sources that measuring a round again imports, at any depth, and of the plates' layouts.

    By their names and bytes, below the folder that holds the packages. What draws, coaches, plans, prints or
    reads results is not imported, so a change there asks for no round again.
    """
    told = hashlib.sha256()
    for path in sorted({*that_compute(root), *root.glob(_CONSTANTS)}):
        name = path.relative_to(root).as_posix()
        told.update(f"{name}\0{hashlib.sha256(path.read_bytes()).hexdigest()}\n".encode())
    return told.hexdigest()


def that_compute(root: Path) -> set[Path]:
    """The sources that measuring a round again imports, at any depth."""
    found: set[Path] = set()
    left = [_START]
    while left:
        path = _file_of(root, left.pop())
        if path is not None and path not in found:
            found.add(path)
            left += _imports(path)
    return found


def _file_of(root: Path, module: str) -> Path | None:
    """None: another project's, or a name within a module."""
    parts = module.split(".")
    if parts[0] not in _PACKAGES:
        return None
    at = root.joinpath(*parts)
    return next((path for path in (at.with_suffix(".py"), at / "__init__.py") if path.is_file()), None)


def _imports(path: Path) -> Iterator[str]:
    """Every module that a file may import; no relative ones, which this project has not."""
    for node in ast.walk(ast.parse(path.read_bytes())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)
