"""Rounds that were measured again, as reviewers list, plot, take away and judge them."""

import csv
import io
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from api.access import people
from api.figures import Figures
from api.pages.residuals import over_the_picture
from api.records import chain, reviewing, verify
from api.review.remeasured import PER_PAGE
from calib_data.record import ReviewFile
from calib_data.review.gauge import gauge_table
from tests.calib_data.drawn_rounds import draw
from tests.calib_data.stored_rounds import store as store_rounds

N = 130
PIN = "4729"
STUDY = "people & shops"


@pytest.fixture
def drawn():
    made = draw(np.random.default_rng(4), N, "another vehicle", "altered photo")
    i = np.arange(24)
    taken_by = {"study": STUDY, "set_up": "board", "shop": i // 8, "person": i // 4}
    made.rounds.loc[i, list(taken_by)] = pd.DataFrame(taken_by).astype(str)
    return made


@pytest.fixture
def service_settings(service_settings, tmp_path, drawn):
    """The settings of all tests here name a re-check's results."""
    path = tmp_path / "results.sqlite"
    store_rounds(path, drawn)
    return replace(service_settings, results=path)


def pages_of(client, **words):
    rows, after = [], ""
    while True:
        answer = client.get("/api/review/rounds", params={**words, "after": after}).json()
        rows += answer["rows"]
        after = answer["after"]
        if not after:
            return rows, answer["n"]


@pytest.mark.parametrize("order", ["taken", "wheelbase_off", "residual_ratio", "n_photos"])
@pytest.mark.parametrize("down", [True, False])
def test_each_round_stands_once_and_in_order(client, order, down):
    rows, n = pages_of(client("reviewer"), order=order, down=down)
    assert n == N
    assert len(rows) == N > 2 * PER_PAGE
    assert len({row["id"] for row in rows}) == N
    keys = [(row[order], row["id"]) for row in rows]  # equal ones go by their row's number
    assert keys == sorted(keys, reverse=down)


def test_filters_hold_together(client, drawn):
    r = drawn.rounds
    want = r[(r["bay"] == "bay 2") & (r["kit"] == "hall") & (r["decision"] == "undecided")]
    want = want[want["taken"] >= "2026-02-01"]
    words = {"bay": "bay 2", "kit_name": "hall", "decision_today": "undecided", "since": "2026-02-01"}
    rows, n = pages_of(client("reviewer"), **words)
    assert {row["round_id"] for row in rows} == set(want["round_id"])
    assert n == len(want) > 0


def test_a_day_is_whole_and_an_id_is_begun(client, drawn):
    rows, _ = pages_of(client("reviewer"), until="2026-01-05")
    assert {row["round_id"] for row in rows} == set(
        drawn.rounds["round_id"][drawn.rounds["taken"] < "2026-01-06"]
    )
    rows, _ = pages_of(client("reviewer"), named="r12")
    assert {row["round_id"] for row in rows} == {"r12", *(f"r12{i}" for i in range(10))}


def test_what_is_taken_away_is_what_is_filtered(client, tmp_path):
    reviewer = client("reviewer")
    text = reviewer.get("/api/review/rounds.csv", params={"bay": "bay 1"}).text
    rows = list(csv.DictReader(io.StringIO(text)))
    listed, _ = pages_of(reviewer, bay="bay 1")
    assert {row["round_id"] for row in rows} == {row["round_id"] for row in listed}
    assert float(rows[0]["wheelbase_off"]) == pytest.approx(
        next(row["wheelbase_off"] for row in listed if row["round_id"] == rows[0]["round_id"])
    )
    data = reviewer.get("/api/review/rounds.parquet", params={"bay": "bay 1"}).content
    frame = pd.read_parquet(io.BytesIO(data))
    assert list(frame["round_id"]) == [row["round_id"] for row in rows]
    assert frame["chi2"].dtype == float


def test_plots_are_drawn_here(client):
    for name in ("kits", "scale_off", "level"):
        answer = client("reviewer").get(f"/api/review/plots/{name}", params={"bay": "bay 1"})
        assert answer.headers["content-type"] == "image/svg+xml"
        assert "<svg" in answer.text
    assert client("reviewer").get("/api/review/plots/level", params={"named": "r17"}).status_code == 404


def test_the_list_and_a_round_are_pages(client):
    reviewer = client("reviewer")
    listed = reviewer.get("/review", params={"order": "wheelbase_off"}).text
    assert 'href="/review/rounds/' in listed
    assert f"{N} rounds" in listed
    (row,) = (row for row in pages_of(reviewer)[0] if row["round_id"] == "r17")
    page = reviewer.get(f"/review/rounds/{row['id']}").text
    assert "Photo p03.jpg does not fit the lens of the others." in page
    assert "Nobody has looked at this round yet." in page
    assert reviewer.get("/review/rounds/999999").status_code == 404


def test_a_study_is_a_page_with_bounds_and_its_rounds_are_found(client, drawn):
    reviewer = client("reviewer")
    assert 'href="/review/study?name=people+%26+shops"' in reviewer.get("/review").text
    page = reviewer.get("/review/study", params={"name": STUDY}).text
    assert "Study people &amp; shops" in page and "24 rounds, 6 persons, 3 shops" in page
    table = gauge_table(drawn.rounds).set_index(["figure", "spread"])
    again = table.loc["lateral_mm", "reproducibility"]
    assert f"{again['value']:.1f}\xa0mm ({again['lower']:.1f} … {again['upper']:.1f})" in page
    rows, n = pages_of(reviewer, study=STUDY)
    assert n == 24 and {row["set_up"] for row in rows} == {"board"}
    page = reviewer.get(f"/review/rounds/{rows[0]['id']}").text
    assert f"{STUDY}: board".replace("&", "&amp;") in page
    assert not any(word in page for word in ("onforming", "ndecided", "Decision"))
    assert reviewer.get("/review/study", params={"name": "none such"}).status_code == 404


def test_what_is_left_over_is_a_table_where_the_picture_is_not_here(client):
    reviewer = client("reviewer")
    row = pages_of(reviewer)[0][0]
    page = reviewer.get(f"/review/rounds/{row['id']}").text
    assert "p01.jpg: 1.40 (52 points), worst plate 22: 2.40" in page and "<image" not in page


@pytest.mark.parametrize(
    ("orientation", "view_box", "box"),
    [(1, "0 0 1000 500", "M100.00 200.00"), (6, "0 0 500 1000", "M79.50 100.00")],
)
def test_frames_stand_where_the_plates_are_in_the_upright_picture(orientation, view_box, box):
    """Turned a quarter clockwise, the stored array's left is on top and its bottom on the left."""
    plates = [[11, 40, 0.9, 0.05, 200, 400, 600, 840], [22, 12, 2.4, 0.2, 1400, 400, 1580, 520]]
    drawn = over_the_picture(plates, "/x", (2000, 1000), orientation, "a title", Figures())
    assert f'viewBox="{view_box}"' in drawn and f'd="{box}' in drawn
    assert '<image href="/x"' in drawn and "22: 2.40" in drawn and 'class="level large"' in drawn


def test_a_technician_is_led_elsewhere_and_without_results_it_is_said(client):
    technician = client("technician")
    assert technician.get("/review").status_code == 403
    assert '<a href="/review"' not in technician.get("/visits").text
    assert '<a href="/review"' in client("reviewer").get("/visits").text


def judge(client, row, **words):
    return client.post(f"/api/review/rounds/{row['id']}/verdict", json={"pin": PIN, **words})


@pytest.fixture
def reviewer_with_pin(client, store, reviewer):
    with store.writing() as db:
        people.set_pin(db, reviewer.person_id, people.hash_pin(PIN))
    return client("reviewer")


def test_a_verdict_is_a_link_of_the_chain(reviewer_with_pin, store):
    row = pages_of(reviewer_with_pin)[0][0]
    done = judge(reviewer_with_pin, row, verdict="doubtful", words="  Looks like \n another car. ")
    assert done.status_code == 201
    with store.reading() as db:
        entry = reviewing.latest(db)[row["round_id"]]
        body = chain.body_of(entry)
        assert not verify.verify(db, store.folder).faults
    told = ReviewFile.model_validate(body)
    assert (told.verdict, told.words, told.measured.outcome) == (
        "doubtful",
        "Looks like another car.",
        row["outcome"],
    )
    assert done.json()["head"] == chain.code(entry.sha256)
    page = reviewer_with_pin.get(f"/review/rounds/{row['id']}").text
    assert "Looks like another car." in page
    assert "doubtful" in reviewer_with_pin.get("/review").text


def test_the_same_verdict_again_is_one_entry_and_another_is_a_second(reviewer_with_pin, store):
    row = pages_of(reviewer_with_pin)[0][0]
    words = {"verdict": "wrong", "words": "A wrong kit."}
    first, again = (judge(reviewer_with_pin, row, **words).json() for _ in range(2))
    assert first == again
    other = judge(reviewer_with_pin, row, verdict="sound").json()
    assert other["seq"] == first["seq"] + 1
    with store.reading() as db:
        assert [chain.body_of(e)["verdict"] for e in reviewing.of_round(db, row["round_id"])] == [
            "sound",
            "wrong",
        ]


def test_a_doubt_takes_a_reason_and_a_pin(reviewer_with_pin):
    row = pages_of(reviewer_with_pin)[0][0]
    answer = judge(reviewer_with_pin, row, verdict="wrong", words=" no ")
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["where"] == "words"
    assert judge(reviewer_with_pin, row, verdict="sound", pin="0000").status_code == 403
