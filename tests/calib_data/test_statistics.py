"""Statistics of rounds on frames drawn here: do bounds hold, is what was planted found, is nothing else?"""

import numpy as np
import pandas as pd
import pytest

from calib_data.review import findings
from calib_data.review.additive import fit
from calib_data.review.anova import crossed, nested, one_way
from calib_data.review.charts import individuals, weighted_mean
from calib_data.review.components import reml
from calib_data.review.findings import find
from calib_data.review.lines import weighted_line
from calib_data.review.report import in_words, review
from calib_data.review.rounds import Rounds
from tests.calib_data.drawn_rounds import draw


def drawn_study(rng, s, p, r, sd):
    y = (
        sd["between set-ups"] * rng.normal(size=(s, 1, 1))
        + sd["between persons"] * rng.normal(size=(1, p, 1))
        + sd["persons by set-up"] * rng.normal(size=(s, p, 1))
        + sd["repeatability"] * rng.normal(size=(s, p, r))
    )
    index = pd.MultiIndex.from_product([range(s), range(p), range(r)], names=["set_up", "person", "repeat"])
    return pd.DataFrame({"y": y.ravel()}, index).reset_index()


def test_bounds_of_spreads_hold_the_truth():
    rng = np.random.default_rng(7)
    sd = {"between set-ups": 2.0, "between persons": 0.5, "persons by set-up": 0.3, "repeatability": 1.0}
    sd["intermediate"] = float(np.sqrt(0.5**2 + 0.3**2 + 1.0))
    n, held = 150, dict.fromkeys(sd, 0)
    for _ in range(n):
        spreads = crossed(drawn_study(rng, 5, 3, 3, sd), "y", "set_up", "person").spreads
        for name, true in sd.items():
            held[name] += spreads[name].lower <= true <= spreads[name].upper
    # 95 % less three standard deviations of the count; more than 95 is allowed (0 is a border).
    assert min(held.values()) >= 134


def test_bounds_between_shops_hold_the_truth():
    rng = np.random.default_rng(9)
    sd = {"between shops": 0.8, "between persons": 0.5, "repeatability": 1.0}
    true = sd | {"intermediate": np.hypot(0.5, 1.0), "reproducibility": np.sqrt(0.8**2 + 0.5**2 + 1.0)}
    # Five shops of two or three persons, three or four rounds each.
    numbers = [(s, p, r) for s in range(5) for p in range(2 + s % 2) for r in range(3 + (s + p) % 2)]
    shop, person, _ = np.array(numbers).T
    n, held = 60, dict.fromkeys(true, 0)
    for _ in range(n):
        y = sd["between shops"] * rng.normal(size=5)[shop] + rng.normal(size=len(shop))
        y += sd["between persons"] * rng.normal(size=(5, 3))[shop, person]
        spreads = nested(y, shop, person).spreads
        for name, value in true.items():
            held[name] += spreads[name].lower <= value <= spreads[name].upper
    # 95 % less three standard deviations of the count; more than 95 is allowed (0 is a border).
    assert min(held.values()) >= 51


# Unequal numbers: rounds by person of a set-up; by shop and person; by set-up and person.
UNEQUAL = ([2, 2, 12], [2, 3, 10, 2, 5], [1, 1, 1, 1, 8])
IN_SHOPS = ([2], [3, 1], [4, 2, 9], [4, 2])
IN_CELLS = ([1, 2, 5], [3, 2, 2], [4, 1, 2], [3, 2, 6])


def held_by(true, draw_spreads, n):
    """The least share of n drawn studies in which a spread's bounds held the true one."""
    held = dict.fromkeys(true, 0)
    for _ in range(n):
        spreads = draw_spreads()
        for name, value in true.items():
            held[name] += spreads[name].lower <= value <= spreads[name].upper
    return min(held.values()) / n


@pytest.mark.study
@pytest.mark.parametrize("spread", [0.3, 1.0, 3.0])
def test_bounds_hold_the_truth_with_unequal_numbers(spread):
    """95 % less three standard deviations of the count, and less 1 % for what is approximate."""
    rng, n = np.random.default_rng(21), 1000
    least = 0.94 - 3 * np.sqrt(0.95 * 0.05 / n)
    for counts in UNEQUAL:
        of = np.repeat(np.arange(len(counts)), counts)

        def one_set_up(of=of):
            return one_way(spread * rng.normal(size=9)[of] + rng.normal(size=len(of)), of).spreads

        true = {"between groups": spread, "total": np.hypot(spread, 1), "repeatability": 1.0}
        assert held_by(true, one_set_up, n) > least
    person = np.repeat(np.arange(8), sum(IN_SHOPS, []))
    shop = np.repeat(np.arange(4), [len(one) for one in IN_SHOPS])[person]

    def of_shops():
        y = 1.5 * spread * rng.normal(size=4)[shop] + spread * rng.normal(size=8)[person]
        return nested(y + rng.normal(size=len(y)), shop, person).spreads

    true = {"between shops": 1.5 * spread, "between persons": spread, "repeatability": 1.0}
    sums = {"intermediate": np.hypot(spread, 1), "reproducibility": np.sqrt(3.25 * spread**2 + 1)}
    assert held_by(true | sums, of_shops, n) > least


def unequal_cells(rng, spread, without=()):
    """Four set-ups (2), three persons (spread), both (half of it) and rounds (1)."""
    numbers = np.where([[(s, p) in without for p in range(3)] for s in range(4)], 0, IN_CELLS)
    s, p = (np.repeat(one.ravel(), numbers.ravel()) for one in np.indices((4, 3)))
    y = 2 * rng.normal(size=4)[s] + spread * rng.normal(size=3)[p] + rng.normal(size=len(s))
    y += 0.5 * spread * rng.normal(size=(4, 3))[s, p]
    return pd.DataFrame({"set_up": s, "person": p, "both": 3 * s + p, "y": y})


@pytest.mark.study
@pytest.mark.parametrize("spread", [0.3, 1.0, 2.0])
def test_bounds_hold_the_truth_with_unequal_cells_and_nearly_so_where_some_are_empty(spread):
    rng, n = np.random.default_rng(22), 400
    true = {"between persons": spread, "persons by set-up": spread / 2, "between set-ups": 2.0}
    sums = {"repeatability": 1.0, "intermediate": np.sqrt(1.25 * spread**2 + 1)}

    def all_cells():
        return crossed(unequal_cells(rng, spread), "y", "set_up", "person").spreads

    assert held_by(true | sums, all_cells, n) > 0.94 - 3 * np.sqrt(0.95 * 0.05 / n)

    def some_cells():
        frame = unequal_cells(rng, spread, {(0, 1), (2, 0), (3, 2)})
        return {
            name: one.spread for name, one in reml(frame, "y", ["set_up", "person", "both"]).factors.items()
        }

    # By likelihood, with three persons: what gauge.py says of it.
    assert held_by({"set_up": 2.0, "person": spread, "both": spread / 2}, some_cells, 100) > 0.80


def test_a_study_that_is_not_balanced_is_refused():
    study = drawn_study(np.random.default_rng(0), 3, 2, 2, dict.fromkeys(
        ("between set-ups", "between persons", "persons by set-up", "repeatability"), 1.0))  # fmt: skip
    with pytest.raises(ValueError, match="must have measured every set-up"):
        crossed(study.iloc[2:], "y", "set_up", "person")


def test_bounds_of_components_hold_the_truth_and_none_is_seen_where_there_is_none():
    rng = np.random.default_rng(3)
    held = seen = 0
    for _ in range(25):
        frame = pd.DataFrame({"phone": rng.integers(0, 8, 200), "kit": rng.integers(0, 5, 200)})
        frame["y"] = rng.normal(size=200) + 0.5 * rng.normal(size=8)[frame["phone"]]
        found = reml(frame, "y", ["phone", "kit"])
        spread = found.factors["phone"].spread
        held += spread.lower <= 0.5 <= spread.upper
        seen += found.factors["kit"].p < 0.05
    assert held >= 20  # of 24 expected, three standard deviations below
    assert seen <= 5  # of 1.25 expected, three above


def test_effects_are_told_by_level():
    rng = np.random.default_rng(5)
    frame = pd.DataFrame({"phone": rng.choice(list("abcdef"), 300)})
    frame["y"] = rng.normal(size=300) + 2.0 * (frame["phone"] == "c")
    effects = reml(frame, "y", ["phone"]).factors["phone"].effects
    assert effects["effect"].idxmax() == "c"
    assert effects["n"].sum() == 300


def test_robust_effects_stand_foreign_rounds():
    rng = np.random.default_rng(6)
    frame = pd.DataFrame({"kit": rng.choice(list("abcd"), 200), "months": rng.uniform(0, 6, 200)})
    frame["y"] = 0.1 * rng.normal(size=200) + 0.05 * frame["months"] * (frame["kit"] == "b")
    frame.loc[:19, "y"] += 50.0
    found = fit(frame, "y", ["kit"], over="months", of="kit")
    slopes = found.slopes.set_index("level")
    assert slopes["effect"]["b"] == pytest.approx(0.05, abs=4 * slopes["u"]["b"])
    assert slopes["u"]["b"] < 0.02
    assert (found.residuals[:20].abs() > 100).all()


def test_factors_that_say_the_same_are_not_told_apart():
    frame = pd.DataFrame({"kit": ["a", "b"] * 30, "phone": ["x", "y"] * 30})
    frame["y"] = np.random.default_rng(0).normal(size=60)
    assert fit(frame, "y", ["kit", "phone"]) is None


def test_a_shift_shows_on_the_charts():
    rng = np.random.default_rng(8)
    values = rng.normal(size=80)
    values[60:] += 1.5
    assert weighted_mean(values[:60], centre=0.0, s=1.0).beyond.sum() <= 1
    assert weighted_mean(values, centre=0.0, s=1.0).beyond[60:].any()
    assert individuals(values).run[68:].any()
    values[10] = 9.0
    assert individuals(values).beyond[10]


def test_a_line_with_stated_uncertainties():
    x = np.arange(6.0)
    line = weighted_line(x, 1 + 0.5 * x, u=0.1)
    assert (line.at_zero, line.slope) == pytest.approx((1, 0.5))
    assert line.u_slope == pytest.approx(0.1 / np.sqrt(17.5))
    with pytest.raises(ValueError, match="two places"):
        weighted_line(np.ones(4), np.ones(4))


def kinds(found):
    return {(one.kind, one.level) for one in found}


def test_nothing_is_found_where_nothing_is_planted():
    found = [one for seed in range(8) for one in find(draw(np.random.default_rng(seed), 200))]
    assert len(found) <= 2  # two families held to one false alarm in twenty archives each: 0.8 of 8


@pytest.mark.parametrize(
    ("fault", "kind", "level"),
    [
        ("kit drift", findings.KIT_DRIFT, "van 2"),
        ("kit scale", findings.KIT_SCALE, "van 2"),
        ("phone lens", findings.PHONE_LENS, "Vireo Seven"),
        ("bay floor", findings.BAY_FLOOR, "bay 2"),
        ("bay line", findings.BAY_OFFSET, "bay 2"),
        ("declared wheelbase", findings.DECLARED_WHEELBASE, "Birch"),
        ("sheet drift", findings.SHEET_DRIFT, "van 2 / 3"),
        ("large u", findings.UNCERTAIN, "bay 2"),
        ("undecided", findings.UNDECIDED, "bay 2"),
        ("another vehicle", findings.ANOTHER_VEHICLE, "r17"),
        ("altered photo", findings.ALTERED_PHOTO, "r17"),
        ("own test", findings.OTHER_ROUND, "r17"),
    ],
)
def test_what_is_planted_is_found_by_name(fault, kind, level):
    found = find(draw(np.random.default_rng(11), 300, fault))
    assert (kind, level) in kinds(found)
    assert len(found) == 1


def test_what_goes_with_a_cause_is_told_with_it():
    found = find(draw(np.random.default_rng(12), 300, "phone lens", "undecided phone"))
    assert kinds(found) == {(findings.PHONE_LENS, "Vireo Seven")}
    assert any("undecided" in words for words in found[0].also)


def test_a_small_archive_says_nothing_rather_than_fail():
    assert find(draw(np.random.default_rng(0), 3)) == []
    assert find(draw(np.random.default_rng(0), 1)) == []


def test_repeats_of_one_set_up_judge_no_group_but_their_own_tests_are_told():
    """Thirty rounds of one set-up, all off alike in what the kit, the bay and the phone are judged by."""
    jobs, study = draw(np.random.default_rng(11), 60), draw(np.random.default_rng(12), 30)
    off = {"kit": "van 2", "bay": "bay 2", "phone": "Vireo Seven", "vehicle": "Birch"}
    rows = study.rounds.assign(**off, study="people", set_up="board", person="A")
    rows["round_id"] = "s" + rows["round_id"]
    for column, by in (("wheelbase_left_mm", 1.01), ("wheelbase_right_mm", 1.01), ("chi2", 1.4)):
        rows[column] *= by
    sheets = study.sheets.assign(round_id="s" + study.sheets["round_id"])
    tests = pd.DataFrame([("sr3", "floor", "Floor plate 22 is off.")], columns=["round_id", "name", "says"])
    both = Rounds(pd.concat([jobs.rounds, rows]), pd.concat([jobs.sheets, sheets]), tests)
    assert [(f.kind, f.level) for f in find(both)] == [("outlying round", "sr3")]
    as_jobs = Rounds(both.rounds.assign(set_up=None), both.sheets, tests)
    assert {"phone lens", "another vehicle"} <= {f.kind for f in find(as_jobs)}
    words = list(in_words(review(Rounds(rows, sheets, tests))))
    assert words[0].startswith("0 rounds") and words[1].startswith("30 more rounds are of studies")
    assert "sr3" in words[2]
