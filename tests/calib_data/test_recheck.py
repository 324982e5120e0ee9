"""A signed result against today's: limits, decisions, and the words for what does not reproduce."""

import copy

import numpy as np
import pytest

from calib_data.layouts import load_layouts
from calib_data.recheck import (
    LIMIT_U,
    OUTCOMES,
    Finding,
    compare_with_signed,
    in_words,
    outcome_of,
    sheet_values,
)
from calib_data.result import made_with
from tools.scene import make_scene
from tools.simulate import observe_scene
from vision.measure import measure_found


def _value(value=1500.0, u=0.5, **more):
    required = {"nominal": 1500.0, "minus": 5.0, "plus": 5.0, "decision": "conforming", "p_conform": 1.0}
    return {"value": value, "u": u, **required, **more}


@pytest.fixture
def signed():
    values = {"distance_mm": _value(), "yaw_deg": {"value": 179.99, "u": 0.05}}
    return {
        "decision": "conforming",
        "placements": [{"name": "board", "decision": "conforming", "values": values}],
        "vehicle": {"wheelbase_left_mm": {"value": 2711.0, "u": 0.4}},
        "made_with": made_with(),
    }


@pytest.fixture
def today(signed):
    return copy.deepcopy(signed)


def _set(result, key, **figures):
    result["placements"][0]["values"][key] |= figures


def _kinds(compared):
    return [finding.kind for finding in compared.findings]


@pytest.mark.parametrize("mode", LIMIT_U)
def test_the_same_agrees(signed, today, mode):
    compared = compare_with_signed(signed, today, mode, {})
    assert not compared.findings and outcome_of(compared.findings) == "agrees"
    assert len(compared.values) == 3
    assert "reproduce" in in_words(compared.findings, compared)


@pytest.mark.parametrize("mode", LIMIT_U)
@pytest.mark.parametrize("share", [0.5, 1.0])
def test_within_the_limit_agrees(signed, today, mode, share):
    _set(today, "distance_mm", value=1500.0 + share * LIMIT_U[mode] * 0.5)
    assert not compare_with_signed(signed, today, mode, {}).findings


@pytest.mark.parametrize("mode", LIMIT_U)
def test_beyond_the_limit_differs_and_says_which_and_how_much(signed, today, mode):
    _set(today, "distance_mm", value=1500.0 - 1.1 * LIMIT_U[mode] * 0.5)
    compared = compare_with_signed(signed, today, mode, {})
    (finding,) = compared.findings
    assert finding.kind == "differs" and finding.about == "distance_mm of board"
    assert f"off by {1.1 * LIMIT_U[mode]:.2g} u" in finding.says
    assert compared.largest.off_u == pytest.approx(-1.1 * LIMIT_U[mode], rel=1e-3)


def test_half_a_u_is_no_agreement_though_two_sets_of_photos_would_often_differ_by_more(signed, today):
    # JCGM 100, 5.2.2: the variance of a difference is u1^2 + u2^2 - 2 cov, with full covariance here.
    _set(today, "distance_mm", value=1500.25)
    assert _kinds(compare_with_signed(signed, today, "photos", {})) == ["differs"]


def test_an_angle_that_goes_round_is_no_difference(signed, today):
    _set(today, "yaw_deg", value=-180.01)
    assert not compare_with_signed(signed, today, "observations", {}).findings


def test_another_u_differs(signed, today):
    _set(today, "distance_mm", u=0.6)
    (finding,) = compare_with_signed(signed, today, "photos", {}).findings
    assert "The u of distance_mm" in finding.says


def test_a_value_that_is_not_measured_today_differs_with_the_reason(signed, today):
    today["placements"][0]["values"]["distance_mm"] = {"value": None, "says": "The front wheels are hidden."}
    says = [f.says for f in compare_with_signed(signed, today, "photos", {}).findings if f.kind == "differs"]
    assert says == ["distance_mm of board was measured then and not today. The front wheels are hidden."]


def test_what_two_placements_must_be_together_is_compared_too(signed, today):
    for side, value in ((signed, 1200.0), (today, 1201.0)):
        side["relations"] = [{"name": "pair of boards", "values": {"spacing_mm": _value(value)}}]
    (finding,) = compare_with_signed(signed, today, "photos", {}).findings
    assert finding.kind == "differs" and finding.about == "spacing_mm of pair of boards"


def test_a_value_that_is_new_today_differs(signed, today):
    today["vehicle"]["toe_rear_left_deg"] = {"value": 0.1, "u": 0.05}
    (finding,) = compare_with_signed(signed, today, "photos", {}).findings
    assert "today and not then" in finding.says


def test_a_changed_decision_is_graver_than_the_difference(signed, today):
    today["decision"] = "undecided"
    _set(today, "distance_mm", value=1504.0, decision="undecided", p_conform=0.9)
    compared = compare_with_signed(signed, today, "photos", {})
    assert _kinds(compared) == ["decision_changed", "decision_changed", "differs"]
    assert outcome_of(compared.findings) == "decision_changed"
    assert "signed as conforming; measured today it is undecided" in in_words(compared.findings, compared)


def test_a_changed_decoder_is_named_and_makes_no_outcome(signed, today):
    signed["made_with"]["opencv-python-headless"] = "4.1.0"
    signed["made_with"]["scipy"] = "1.0"
    compared = compare_with_signed(signed, today, "photos", {})
    assert outcome_of(compared.findings) == "agrees"
    says = {finding.about: finding.says for finding in compared.findings}
    assert "the decoder opencv-python-headless 4.1.0" in says["opencv-python-headless"]
    assert "the library scipy 1.0" in says["scipy"]


def test_without_a_result_then_or_today_there_is_nothing_to_compare(signed):
    for then, now in ((signed, None), (None, signed), (None, None)):
        compared = compare_with_signed(then, now, "photos", {})
        assert compared.largest is None and not compared.findings


def test_the_declared_wheelbase_stands_beside_the_measured_one(signed, today):
    vehicle = {"wheelbase_mm": 2712.0, "u_wheelbase_mm": 5.0}
    values = compare_with_signed(signed, today, "photos", vehicle).values
    (wheelbase,) = (value for value in values if value.subject == "vehicle")
    assert (wheelbase.declared, wheelbase.u_declared) == (2712.0, 5.0)


def test_every_outcome_is_named_once_and_the_gravest_counts():
    findings = [Finding(kind, "", kind) for kind in OUTCOMES]
    for i, kind in enumerate(OUTCOMES):
        assert outcome_of(findings[i:]) == kind
    assert outcome_of([Finding("other_software", "", "")]) == "agrees"


def test_sheets_scales_lie_about_the_true_ones():
    scene = make_scene(np.random.default_rng(7), n_photos=8)
    found = observe_scene(np.random.default_rng(3), scene)
    m = measure_found(found, scene.kit, scene.vehicle, (scene.placement,), load_layouts())
    values = {value.name: value for value in sheet_values(m.adjustment) if value.subject == "sheet"}
    true = {str(plate.number): float(np.mean(plate.scale_xy)) for plate in scene.plates}
    assert len(values) > 8 and values.keys() <= true.keys()
    for name, value in values.items():
        assert 0 < value.u_today <= value.u_declared * (1 + 1e-9)
        assert abs(value.today - true[name]) < 4.5 * value.u_today


def test_what_holds_for_many_photos_is_said_once():
    words = "is missing: its file is gone."
    missing = [Finding("photo_missing", f"p{k}.jpg", f"p{k}.jpg {words}") for k in (1, 2, 3)]
    assert in_words(missing, None) == "p1.jpg is missing: its file is gone. The same holds for 2 more."
