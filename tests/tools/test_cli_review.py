"""`plumbsight review`: what it says, writes and ends with; and the planted archive that it is tried on."""

import json

import numpy as np
import pandas as pd
import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from calib_data.results import Finding, Round, opened
from calib_data.review.findings import find
from calib_data.review.gauge import gauge_table, notes
from calib_data.review.plots import as_svg, kits_over_time
from calib_data.review.reading import read_rounds
from calib_data.review.rounds import derived
from tests.calib_data.drawn_rounds import draw
from tests.calib_data.stored_rounds import store
from tools import cli
from tools.cli_review import NOTHING_FOUND, SOMETHING_FOUND
from tools.make_archive import write_archive
from tools.planted_archive import ANOTHER_VEHICLE, FAULTS, MODELS, plan_archive, plan_study


def stored(path, seed, n, *faults):
    drawn = draw(np.random.default_rng(seed), n, *faults)
    store(path, drawn)
    return drawn


def test_what_is_read_is_what_was_stored(tmp_path):
    drawn = stored(tmp_path / "r.sqlite", 1, 30, "altered photo")
    read = read_rounds(tmp_path / "r.sqlite")
    names = [
        "round_id",
        "bay",
        "phone",
        "kit",
        "vehicle",
        "distance_mm",
        "u_yaw_deg",
        "lateral_mm_half",
        "chi2",
    ]
    want = drawn.rounds.set_index("round_id")[names[1:]].astype({"chi2": float})
    pd.testing.assert_frame_equal(
        read.rounds.set_index("round_id")[names[1:]].loc[want.index],
        want,
        check_dtype=False,
        check_names=False,
    )
    pd.testing.assert_frame_equal(
        read.sheets.sort_values(["round_id", "plate"]).reset_index(drop=True),
        drawn.sheets.sort_values(["round_id", "plate"]).reset_index(drop=True),
        rtol=1e-7,
        atol=1e-12,
        check_dtype=False,
    )
    assert read.tests.to_dict("records") == drawn.tests.to_dict("records")


def test_it_says_what_is_off_and_writes_tables_and_plots(tmp_path, capsys):
    stored(tmp_path / "r.sqlite", 11, 150, "kit drift", "another vehicle")
    out = tmp_path / "out"
    assert cli.run(["review", str(tmp_path / "r.sqlite"), "--out", str(out)]) == SOMETHING_FOUND
    said = capsys.readouterr().out
    assert "1. Kit van 2: the vehicles measured with it come out shorter" in said
    assert "2. Round r17" in said
    assert (out / "summary.txt").read_text() in said
    found = pd.read_parquet(out / "findings.parquet")
    assert list(found["kind"]) == ["kit drift", "another vehicle"]
    assert list(pd.read_csv(out / "findings.csv")["subject"]) == list(found["subject"])
    kits = pd.read_csv(out / "kits.csv").set_index("kit")
    # Models' offsets are medians of all their rounds, so the other kits rise a little as this one falls.
    assert kits["per_month"]["van 2"] < kits["per_month"]["hall"] - 3e-4
    for name in ("kits", "chart_scale_off", "chart_level", "bays_deg", "components"):
        assert (out / f"{name}.svg").read_text().startswith("<?xml")


def test_a_photo_whose_bytes_changed_is_told_whatever_the_figures_say(tmp_path):
    stored(tmp_path / "r.sqlite", 3, 60)
    with opened(tmp_path / "r.sqlite", makes=True) as engine, Session(engine) as db, db.begin():
        row = db.scalar(select(Round).where(Round.round_id == "r20"))
        altered = {"kind": "photo_altered", "about": "p02.jpg", "says": "p02.jpg is not what was stored."}
        db.add(Finding(round=row.id, position=9, **altered))
    (found,) = find(read_rounds(tmp_path / "r.sqlite"))
    assert (found.kind, found.level, found.p) == ("altered photo", "r20", 0.0)
    assert found.says.endswith("p02.jpg is not what was stored.")


def test_nothing_found_is_said(tmp_path, capsys):
    stored(tmp_path / "r.sqlite", 3, 60)
    assert cli.run(["review", str(tmp_path / "r.sqlite")]) == NOTHING_FOUND
    assert "Nothing stands out" in capsys.readouterr().out


def test_the_same_rounds_give_the_same_plot():
    frame = derived(draw(np.random.default_rng(5), 40).rounds)
    assert as_svg(kits_over_time(frame)) == as_svg(kits_over_time(frame))


def test_a_study_tells_what_repeats(tmp_path, capsys):
    drawn = draw(np.random.default_rng(2), 27)
    i = np.arange(27)
    drawn.rounds["study"] = "people, spring"
    drawn.rounds["set_up"] = [f"{k // 9 + 1}" for k in i]
    drawn.rounds["person"] = [f"{'ABC'[k // 3 % 3]}" for k in i]
    store(tmp_path / "r.sqlite", drawn)
    cli.run(["review", str(tmp_path / "r.sqlite")])
    says = (
        "Study people, spring, lateral (standard deviations; 27 rounds, 3 persons, 1 shops): one person again"
    )
    assert says in capsys.readouterr().out
    study = gauge_table(read_rounds(tmp_path / "r.sqlite").rounds).set_index(["figure", "spread"])
    assert study["value"]["lateral_mm", "repeatability"] == pytest.approx(3.0, rel=0.5)


def test_a_study_between_shops_tells_each_set_up_by_itself(tmp_path):
    drawn = draw(np.random.default_rng(2), 48)
    i = np.arange(48)
    drawn.rounds["study"], drawn.rounds["set_up"] = "between shops", [f"{k % 2 + 1}" for k in i]
    drawn.rounds["shop"] = [f"s{k // 12}" for k in i]
    drawn.rounds["person"] = [f"s{k // 12} {'AB'[k // 6 % 2]}" for k in i]
    drawn.rounds["yaw_deg"] = (drawn.rounds["yaw_deg"] + 360) % 360 - 180  # faces backwards, about the seam
    table = gauge_table(drawn.rounds).set_index(["set_up", "figure", "spread"])
    for set_up in "12":
        told = table.loc[set_up, "yaw_deg"]
        assert {"repeatability", "between persons", "between shops", "reproducibility"} < set(told.index)
        assert (told["persons"].iloc[0], told["shops"].iloc[0], told["n"].iloc[0]) == (8, 4, 24)
        assert told["lower"]["repeatability"] < 0.15 < told["upper"]["repeatability"]
        assert told["value"]["reproducibility"] < 1.0


@pytest.mark.parametrize(
    ("people", "phones", "spreads"),
    [
        ("AABB", "1122", ["repeatability", "between persons", "intermediate"]),
        ("AAAA", "1122", ["repeatability", "between phones", "intermediate"]),
        ("AAAA", "1111", ["repeatability"]),
        ("ABCD", "1111", []),
    ],
)
def test_what_a_small_study_can_tell(people, phones, spreads):
    drawn = draw(np.random.default_rng(2), 4).rounds.assign(study="", set_up="board", person=list(people))
    table = gauge_table(drawn.assign(phone=list(phones)))
    assert list(table[table["figure"] == "lateral_mm"]["spread"]) == spreads


@pytest.mark.parametrize(
    ("columns", "spread", "of"),
    [
        # Everybody the own phone; all phones alike; mostly the own one; phones from day to day.
        ({"person": "AAABBBCCC", "phone": "111222333"}, "between persons", "person, phone"),
        ({"person": "AAABBBCCC", "phone": "123123123"}, "between persons", "person"),
        ({"person": "AAABBBCCC", "phone": "112222233"}, "between persons", "person, partly phone"),
        ({"person": "AAABBBCCC", "phone": "123123123"}, "repeatability", "repeats, phone"),
        ({"person": "AAABBBCCC", "kit": "111111222"}, "intermediate", "person, kit"),
        ({"person": "AAAAAA", "phone": "111222", "kit": "111222"}, "between phones", "phone, kit"),
        ({"shop": "AABB", "person": "1122", "phone": "1122"}, "between shops", "shop, person, phone"),
        ({"shop": "AABB", "person": "1111"}, "between shops", "shop"),
        ({"shop": "A" * 6 + "B" * 6, "person": "112233445566"}, "between shops", "shop"),
        (
            {"shop": "A" * 6 + "B" * 6, "person": "112233445566", "kit": "1" * 6 + "2" * 6},
            "between shops",
            "shop, kit",
        ),
        (
            {"shop": "A" * 6 + "B" * 6, "person": "112233445566", "phone": "112233112233"},
            "between persons",
            "person, phone",
        ),
        ({"set_up": "11223344", "person": "AABBAABB"}, "between set-ups", "set_up, person"),
        ({"set_up": "1122112212", "person": "AAAABBBBBB"}, "persons by set-up", "person by set-up"),
        (
            {"set_up": "1122112212", "person": "AAAABBBBBB", "kit": "1122112212"},
            "between set-ups",
            "set_up, kit",
        ),
        ({"set_up": "112212211233", "person": "AAAABBBBBBBB"}, "between persons", "person"),
    ],
)
def test_what_changed_only_together_is_told_as_of_both(columns, spread, of):
    n = len(columns["person"])
    plain = {"study": "people", "set_up": "board", "shop": "s", "phone": "1", "kit": "1"}
    rounds = pd.DataFrame({**plain, **{name: list(words) for name, words in columns.items()}}, index=range(n))
    table = gauge_table(rounds.assign(lateral_mm=np.random.default_rng(8).normal(size=n)))
    assert table.set_index("spread")["of"][spread] == of
    says = " ".join(notes(table))
    is_together = "," in of and "partly" not in of and spread != "repeatability"
    assert ("together: each" in says) == is_together
    assert ("partly of the phone" in says) == ("partly" in of)


def test_shops_with_set_ups_of_their_own_are_told_each_by_itself():
    rounds = pd.DataFrame({"shop": list("AAAABBBB"), "set_up": list("11223344"), "study": "s", "person": "p"})
    table = gauge_table(rounds.assign(lateral_mm=np.random.default_rng(8).normal(size=8)))
    assert list(table[table["spread"] == "repeatability"]["shop"]) == ["A", "B"]


def test_a_file_that_is_none_is_refused_in_words(tmp_path, capsys):
    assert cli.run(["review", str(tmp_path / "none.sqlite")]) == 65
    assert "Name the file that plumbsight recheck" in capsys.readouterr().err


def test_a_planted_archive_is_one_that_recheck_reads(tmp_path):
    archive = plan_archive(5, 12, FAULTS)
    first = next(p for p in archive.rounds if ANOTHER_VEHICLE in p.faults)
    assert MODELS[first.model] != MODELS[first.shown]
    write_archive(tmp_path / "archive", archive.of([first, archive.rounds[0]]))
    results = tmp_path / "results.sqlite"
    words = ["recheck", str(tmp_path / "archive"), "--out", str(results), "--mode", "observations"]
    assert cli.run([*words, "--workers", "1"]) == 1  # the photos are not there
    read = read_rounds(results).rounds.set_index("round_id")
    row = read.loc[first.round_id]
    assert row["wheelbase_mm"] == MODELS[first.model].wheelbase_mm
    assert row["wheelbase_left_mm"] == pytest.approx(MODELS[first.shown].wheelbase_mm, abs=12)
    assert row["taken"] == f"{first.taken:%Y-%m-%d}"
    planted = json.loads((tmp_path / "archive" / "planted.json").read_text())["planted"]
    assert first.round_id in planted[ANOTHER_VEHICLE]


def test_a_kit_is_the_same_in_all_rounds_and_a_study_keeps_its_set_ups(tmp_path):
    archive = plan_archive(5, 30)
    kit = [p for p in archive.rounds if p.kit == 0][:2]
    write_archive(tmp_path, archive.of(kit))
    files = [json.loads((tmp_path / p.round_id / "kit.json").read_text()) for p in kit]
    assert files[0] == files[1]
    study = plan_study(1, 2, 2, 3)
    assert [(p.set_up, p.person, p.repeat) for p in study.rounds][:4] == [
        (0, 0, 0),
        (0, 0, 1),
        (0, 0, 2),
        (0, 1, 0),
    ]
