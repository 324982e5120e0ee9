"""The outside check values lie beside the repository; without them those tests skip, and say so."""

import json
from collections.abc import Mapping
from pathlib import Path

import pytest

CHECKS = Path(__file__).parents[3] / "shared" / "checks" / "checks.json"


@pytest.fixture(scope="session")
def checks() -> Mapping[str, dict]:
    """All checks of checks.json by their id, each with `inputs`, `expected` and `tolerance`."""
    if not CHECKS.is_file():
        pytest.skip("the outside check values (../shared/checks/checks.json) are not here")
    return {check["id"]: check for check in json.loads(CHECKS.read_text())["checks"]}
