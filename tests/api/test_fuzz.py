"""The JSON API against generated requests, valid and invalid ones; long, in a bounded form.

Each operation of the published OpenAPI document gets requests that its schema allows and requests that it
forbids (schemathesis), with ids of what is really in the store as often as with invented ones. However odd
a request is, the answer is never a defect (500), has a documented status, the documented type and shape, and
is problem details (RFC 9457) when it is an error.

PLUMBSIGHT_FUZZ_EXAMPLES sets the requests for each operation, PLUMBSIGHT_SEED repeats a run.
"""

import os
import secrets
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from hypothesis import HealthCheck, given, settings
from hypothesis import seed as seeded
from hypothesis import strategies as st
from starlette.testclient import TestClient

import calib_data
from api.access import guard, people, sessions
from api.access.rates import Rate
from api.problems import MEDIA_TYPE

schemathesis = pytest.importorskip("schemathesis")

from schemathesis.checks import not_a_server_error  # noqa: E402
from schemathesis.specs.openapi.checks import (  # noqa: E402
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

pytestmark = pytest.mark.study

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]
EXAMPLES = int(os.environ.get("PLUMBSIGHT_FUZZ_EXAMPLES", "25"))
SEED = int(os.environ.get("PLUMBSIGHT_SEED", secrets.randbelow(2**32)))
# A stream of events has no end to wait for.
LEFT_OUT = {("GET", "/api/events")}
DEMO_PHOTO = Path(calib_data.__file__).parent / "demo" / "p01.jpg"


@schemathesis.serializer("application/zip")
def as_it_is(_: Any, value: Any) -> bytes:
    """The bytes that an import is sent: whatever was generated."""
    return value if isinstance(value, bytes) else str(value).encode(errors="replace")


@pytest.fixture
def unhurried(monkeypatch) -> None:
    """Without limits of rate: what they do is tested by itself."""
    for name in ("PER_SESSION", "PER_ADDRESS", "PAIRINGS_PER_ADDRESS"):
        monkeypatch.setattr(guard, name, Rate(at_once=10**9, per_second=10**9))


@pytest.fixture
def ids(unhurried, client: Callable, store, bay) -> dict[str, str]:
    """Ids of what is in the store, by the names that paths give them."""
    device = client("technician")
    visit = bay.begin()
    first = bay.open(visit)
    sent = device.post(
        f"/api/rounds/{first.id}/photos",
        content=DEMO_PHOTO.read_bytes(),
        headers={
            "X-Photo-Name": "p01.jpg",
            "X-Photo-Key": "a-key-of-a-phone",
            "Content-Type": "application/octet-stream",
        },
    )
    assert sent.status_code == 201, sent.text
    with store.writing() as db:
        other = people.add(db, "X. Example", "technician")
        session = sessions.begin(db, other.id, "a test").id
        return {
            "person_id": other.id,
            "session_id": session,
            "visit_id": visit.id,
            "round_id": first.id,
            "arrival_id": sent.json()["photo"]["id"],
            "kit_id": bay.kit.kit_id,
            "placement_id": bay.placement.placement_id,
        }


def test_no_request_brings_out_a_defect_or_an_undocumented_answer(
    client: Callable, app: FastAPI, ids: dict[str, str], capsys
):
    device = client("owner")
    schema = schemathesis.openapi.from_dict(app.openapi())
    statuses: Counter[int] = Counter()
    wrong: list[str] = []
    n_operations = 0
    for found in schema.get_all_operations():
        operation = found.ok()
        if (operation.method.upper(), operation.path) in LEFT_OUT:
            continue
        n_operations += 1
        wrong += _fuzz(operation, device, ids, statuses)
    with capsys.disabled():
        print(
            f"\nfuzz, seed {SEED}: {sum(statuses.values())} requests to {n_operations} operations; answers "
            f"{dict(sorted(statuses.items()))}; operations with a wrong answer: {len(wrong)}"
        )
    assert not wrong, "\n\n".join(wrong)


def _fuzz(operation: Any, device: TestClient, ids: dict[str, str], statuses: Counter[int]) -> list[str]:
    """Requests to one operation; what was wrong with its answers, if anything."""
    modes = schemathesis.GenerationMode
    cases = st.one_of(operation.as_strategy(modes.POSITIVE), operation.as_strategy(modes.NEGATIVE))

    @seeded(SEED)
    @settings(max_examples=EXAMPLES, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(case=cases, of_store=st.booleans())
    def sent(case: Any, of_store: bool) -> None:
        if of_store:
            case.path_parameters = _known(case.path_parameters or {}, ids)
            case.body = _known(case.body, ids)
        wanted = case.as_transport_kwargs(base_url="http://testserver")
        wanted["headers"] = {**(wanted.get("headers") or {}), **dict(device.headers)}
        answer = device.request(**{name: value for name, value in wanted.items() if name in _PARTS})
        statuses[answer.status_code] += 1
        if answer.status_code != 405:  # an id like "." makes the path another one
            case.validate_response(answer, checks=CHECKS)
        if answer.status_code >= 400:
            assert answer.headers["content-type"] == MEDIA_TYPE
            assert answer.json()["status"] == answer.status_code

    try:
        sent()
    except (Exception, BaseExceptionGroup) as error:  # the other operations are to be heard, too
        return [f"{operation.method.upper()} {operation.path}\n{_words(error)}"]
    return []


def _known(given: Any, ids: dict[str, str]) -> Any:
    """The same with the ids of what is in the store, wherever their names stand."""
    if isinstance(given, list):
        return [_known(one, ids) for one in given]
    if not isinstance(given, dict):
        return given
    return {
        name: ids[name] if name in ids else [ids[name[:-1]]] if name[:-1] in ids else _known(value, ids)
        for name, value in given.items()
    }


def _words(error: BaseException) -> str:
    inner = error.exceptions if isinstance(error, BaseExceptionGroup) else ()
    return "\n".join([str(error), *map(_words, inner)])


_PARTS = {"method", "url", "params", "headers", "json", "data", "content", "files"}
