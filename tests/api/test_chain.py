"""The chain: every change, loss and cut tail is found, and heads can be typed."""

import hashlib
import json
from dataclasses import replace

import pytest

from api.problems import NotAcceptedError
from api.records import chain
from api.records.chain import SYMBOLS, canonical, code, faults, read_code
from api.store import open_store

STORE = "a" * 32


@pytest.fixture
def links(tmp_path):
    """Four links of an invented chain."""
    store = open_store(tmp_path / "store")
    with store.writing() as db:
        for n in range(1, 5):
            chain.append(db, STORE, "note", None, {"format": "plumbsight.note/1", "says": f"note {n}, ü"})
    with store.reading() as db:
        made = list(chain.links(db, STORE))
    store.close()
    return made


def test_a_chain_that_nobody_touched_has_no_fault(links):
    assert [link.seq for link in links] == [1, 2, 3, 4]
    assert list(faults(links, needs_bodies=True)) == []


def test_a_link_can_be_checked_with_a_hash_program_and_the_rules_alone(links):
    body = hashlib.sha256(links[0].body).hexdigest()
    assert links[0].body_sha256 == body
    assert links[0].sha256 == hashlib.sha256(("0" * 64 + body).encode()).hexdigest()


def test_canonical_json_is_one_line_of_sorted_keys_in_utf_8():
    # Written by hand from the rules in api/records/chain.py.
    value = {"b": [1, 1.0, 0.1, 1e-7], "a": {"ü": None, "Z": True}, "c": 'x"\n\\'}
    want = '{"a":{"Z":true,"ü":null},"b":[1,1.0,0.1,1e-07],"c":"x\\"\\n\\\\"}'
    assert canonical(value) == want.encode("utf-8")
    assert canonical(json.loads(want)) == want.encode("utf-8")
    with pytest.raises(ValueError):
        canonical({"a": float("nan")})


@pytest.mark.parametrize("seq", [1, 2, 4])
@pytest.mark.parametrize(
    ("field", "other"),
    [
        ("store_id", "b" * 32),
        ("kind", "record"),
        ("visit_id", "c" * 32),
        ("at", "2026-03-14T08:00:00.000000Z"),
        ("body", None),
        ("body_sha256", "1" * 64),
        ("previous_sha256", "2" * 64),
        ("sha256", "3" * 64),
    ],
)
def test_a_change_of_any_field_is_found(links, seq, field, other):
    links[seq - 1] = replace(links[seq - 1], **{field: other})
    assert list(faults(links, needs_bodies=True))


def test_a_change_of_any_byte_of_a_body_is_found(links):
    body = links[1].body
    for i in range(len(body)):
        changed = body[:i] + bytes([body[i] ^ 1]) + body[i + 1 :]
        tampered = [links[0], replace(links[1], body=changed), *links[2:]]
        assert [fault.seq for fault in faults(tampered, needs_bodies=True)] == [2]


def test_a_body_changed_together_with_its_hashes_breaks_the_next_link(links):
    body = links[1].body.replace(b"note 2", b"note 9")
    body_sha256 = hashlib.sha256(body).hexdigest()
    own = chain.link_sha256(links[1].previous_sha256, body_sha256)
    links[1] = replace(links[1], body=body, body_sha256=body_sha256, sha256=own)
    found = list(faults(links, needs_bodies=True))
    assert [fault.seq for fault in found] == [3]
    assert "was changed" in found[0].says


@pytest.mark.parametrize("lost", [0, 1, 2])
def test_a_lost_entry_is_found(links, lost):
    del links[lost]
    assert any("lost" in fault.says for fault in faults(links, needs_bodies=True))


def test_swapped_entries_are_found(links):
    links[1], links[2] = links[2], links[1]
    assert list(faults(links, needs_bodies=True))
    renumbered = [replace(link, seq=i + 1) for i, link in enumerate(links)]
    assert list(faults(renumbered, needs_bodies=True))


def test_a_link_without_content_is_a_fault_unless_it_came_from_elsewhere(links):
    links[1] = replace(links[1], body=None)
    assert list(faults(links, needs_bodies=False))
    links[1] = replace(links[1], body=None, kind=chain.ELSEWHERE)
    assert not list(faults(links, needs_bodies=False))
    assert list(faults(links, needs_bodies=True))


# --- codes ---------------------------------------------------------------------------------------

SHA256 = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"


def test_a_code_has_seven_groups_and_holds_130_bits():
    assert [len(group) for group in code(SHA256).split("-")] == [4] * 7
    # The 130th bit from the left counts, the 131st does not.
    number = int(SHA256, 16)
    assert code(f"{number ^ 1 << 126:064x}") != code(SHA256)
    assert code(f"{number ^ 1 << 125:064x}") == code(SHA256)


def test_a_code_is_read_as_people_type_it():
    typed = code(SHA256)
    assert read_code(typed.lower().replace("-", " ").replace("0", "o").replace("1", "l")) == typed


def test_every_mistyped_symbol_and_every_exchange_of_neighbours_is_noticed():
    plain = code(SHA256).replace("-", "")
    wrong = [plain[:i] + s + plain[i + 1 :] for i in range(28) for s in SYMBOLS if s != plain[i]]
    wrong += [
        plain[:i] + plain[i + 1] + plain[i] + plain[i + 2 :] for i in range(27) if plain[i] != plain[i + 1]
    ]
    for typed in wrong:
        with pytest.raises(NotAcceptedError, match="mistyped"):
            read_code(typed)


@pytest.mark.parametrize("typed", ["", "AB", code(SHA256)[:-1], code(SHA256) + "0", code(SHA256)[:-1] + "U"])
def test_what_is_no_code_is_refused_in_words(typed):
    with pytest.raises(NotAcceptedError, match="code"):
        read_code(typed)
