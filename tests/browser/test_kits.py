"""A kit made and revised by its form, on the smallest phone, over plain HTTP; each test goes on where the one
before ended."""

import re
from typing import Any

import pytest
from playwright.sync_api import Locator, expect

from tests.browser.conftest import Walk

SMALL_PX = {"width": 320, "height": 640}


@pytest.fixture(scope="module", autouse=True)
def small_phone(walk: Walk) -> None:
    walk.page.set_viewport_size(SMALL_PX)  # type: ignore[arg-type]
    walk.phone.pair_as_first(walk.served.code(), "O. Example")


def control(walk: Walk, name: str) -> Locator:
    return walk.page.locator(f"[name='form.{name}']")


def fill(walk: Walk, figures: dict[str, str]) -> None:
    for name, text in figures.items():
        control(walk, name).fill(text)


def told_at(walk: Walk, name: str) -> Locator:
    """What is said to be wrong beside a field."""
    return walk.page.locator(f"#f-form-{name.replace('.', '-')}-wrong")


def file_of(walk: Walk) -> dict[str, Any]:
    return walk.page.request.get(f"{walk.phone.url}/api/kits/{walk.ids['kit']}/file").json()


def put_in(walk: Walk, wheel: str) -> None:
    row = walk.page.locator("details[data-row]", has_text=f"Wheel {wheel}").first
    row.locator("summary").first.click()
    row.get_by_role("button", name="Put in").click()


def unfold(walk: Walk, *parts: str) -> None:
    for part in parts:
        lid = walk.page.locator(f"#part-{part}")
        if lid.get_attribute("open") is None:
            lid.locator("summary").first.click()


def test_a_kit_is_typed_in_by_form_and_what_is_wrong_stands_beside_its_field(walk: Walk) -> None:
    phone, page = walk.phone, walk.page
    phone.open("/kits/new")
    assert page.evaluate("window.isSecureContext") is False
    phone.tap(page.get_by_role("link", name=re.compile("Type in a kit")))
    unfold(walk, "fixtures", "floor", "sheets")
    fill(walk, {"name": "van 1", "rule_mm_per_m": "a little"})
    for wheel, name, plate in (("rear left", "rear_left", "2"), ("rear right", "rear_right", "3")):
        put_in(walk, wheel)
        fill(walk, {f"wheels.{name}.plate": plate, f"wheels.{name}.standoff_mm": "0,12"})
    fill(walk, {"wheels.rear_right.standoff_mm": "twelve"})

    phone.tap_button("One more fixture")
    fill(walk, {"fixtures.0.name": "front"})
    for n, y in enumerate(("350", "-350")):
        phone.tap_button("One more plate")
        fill(walk, {f"fixtures.0.plates.{n}.plate": str(4 + n)})
        fill(
            walk,
            {f"fixtures.0.plates.{n}.position_mm.{a}": v for a, v in zip("xyz", ("0", y, "0"), strict=True)},
        )
    phone.tap_button("One more target")
    fill(walk, {"fixtures.0.targets.0.name": "board"})
    fill(
        walk, {f"fixtures.0.targets.0.position_mm.{a}": v for a, v in zip("xz", ("12", "-200"), strict=True)}
    )
    for n in range(3):
        phone.tap_button("One more floor plate")
        fill(walk, {f"floor.{n}.plate": str(10 + n)})
    for n, number in enumerate((2, 3, 4, 5, 10, 11)):
        phone.tap_button("One more sheet")
        fill(walk, {f"plates.{n}.number": str(number), f"plates.{n}.ruler_mm": "149,8"})
        if number >= 10:
            fill(walk, {f"plates.{n}.thickness_mm": "3"})
    phone.tap_button("Add the kit")

    # What is no number is told at once, all of it, and nothing was sent.
    expect(told_at(walk, "rule_mm_per_m")).to_contain_text("no number")
    expect(told_at(walk, "wheels.rear_right.standoff_mm")).to_contain_text("no number")
    expect(control(walk, "wheels.rear_right.standoff_mm")).to_be_focused()
    fill(walk, {"rule_mm_per_m": "0,3", "wheels.rear_right.standoff_mm": "120"})
    phone.tap_button("Add the kit")
    expect(told_at(walk, "wheels.rear_left.standoff_mm")).to_contain_text("120 mm if these are metres")
    expect(told_at(walk, "fixtures.0.targets.0.position_mm.y")).to_contain_text("is empty")
    fill(walk, {"wheels.rear_left.standoff_mm": "120,4", "fixtures.0.targets.0.position_mm.y": "0"})
    phone.tap_button("Add the kit")
    expect(told_at(walk, "floor.2.plate")).to_contain_text('add "12" to plates')
    phone.tap_button("One more sheet")
    fill(walk, {"plates.6.number": "12", "plates.6.thickness_mm": "3"})
    # Nobody measured this one's ruler.
    fill(walk, {"plates.6.u_ruler_mm": ""})
    phone.tap_button("Add the kit")
    page.wait_for_url(re.compile("/kits/[0-9a-f]{32}$"))
    walk.ids["kit"] = page.url.rsplit("/", 1)[1]
    made = file_of(walk)
    assert made["wheels"]["rear_left"]["standoff_mm"] == 120.4
    assert made["plates"]["2"]["printed_scale"] == round(149.8 / 150, 8)
    assert "printed_scale" not in made["plates"]["12"]
    assert made["fixtures"]["front"]["targets"]["board"]["position_mm"] == [12, 0, -200]
    assert set(made["wheels"]) == {"rear_left", "rear_right"} and len(made["floor"]) == 3


def test_a_row_taken_out_can_be_put_back_with_what_was_typed(walk: Walk) -> None:
    walk.phone.open(f"/kits/{walk.ids['kit']}/edit")
    unfold(walk, "floor")
    row = walk.page.locator("#floor > details").first
    row.locator("summary").click()
    fill(walk, {"floor.0.u_flatness_mm": "2"})
    row.get_by_role("button", name="Take out").click()
    expect(control(walk, "floor.0.u_flatness_mm")).to_be_hidden()
    row.get_by_role("button", name="Put in").click()
    expect(control(walk, "floor.0.u_flatness_mm")).to_have_value("2")


def test_a_revision_needs_a_reason_and_tells_in_words_what_changed(walk: Walk) -> None:
    phone, page = walk.phone, walk.page
    before = file_of(walk)
    phone.open(f"/kits/{walk.ids['kit']}/edit")
    unfold(walk, "wheels", "floor")
    page.locator("summary", has_text="Wheel rear left").click()
    fill(walk, {"wheels.rear_left.standoff_mm": "121"})
    last = page.locator("#floor > details").last
    last.locator("summary").click()
    last.get_by_role("button", name="Take out").click()
    phone.tap_button("Add this revision")
    expect(page.locator("#f-says-wrong")).to_contain_text("Say what changed and why")
    page.get_by_label("What changed, and why").fill("the left clamp was measured again")
    phone.tap_button("Add this revision")
    page.wait_for_url(re.compile("/kits/[0-9a-f]{32}$"))
    expect(page.get_by_text(re.compile("Wheel rear left, standoff: 120.4.mm → 121.mm"))).to_be_visible()
    expect(page.get_by_text("Floor plate 12: taken out")).to_be_visible()
    expect(page.get_by_text("the left clamp was measured again")).to_be_visible()
    after = file_of(walk)
    assert after["plates"] == before["plates"] and after["floor"] == before["floor"][:2]


def test_a_mat_a_level_plate_and_a_label_are_typed_in_and_nothing_else_changes(walk: Walk) -> None:
    phone, page = walk.phone, walk.page
    before = file_of(walk)
    phone.open(f"/kits/{walk.ids['kit']}/edit")
    folded = page.evaluate("document.documentElement.scrollHeight")
    assert folded < 4 * SMALL_PX["height"]  # the whole form, as long as nothing is unfolded
    unfold(walk, "mats", "levels", "fixtures", "sheets")
    phone.tap_button("One more mat")
    fill(walk, {"mats.0.name": "left"})
    for n, (x, y) in enumerate((("-300", "-400"), ("300", "400"))):
        page.locator("#mats").get_by_role("button", name="One more plate").click()
        figures = {"plate": str(20 + n), "position_mm.x": x, "position_mm.y": y}
        fill(walk, {f"mats.0.plates.{n}.{name}": text for name, text in figures.items()})
    phone.tap_button("One more mark")
    fill(
        walk,
        {f"mats.0.targets.0.{key}": text for key, text in {"name": "mark", "position_mm.x": "0"}.items()},
    )
    phone.tap_button("One more level plate")
    fill(walk, {"levels.0.plate": "22", "levels.0.u_deg": "0,1"})
    row = page.locator("#fixtures > details").first
    for title in ("Fixture front", "Target board", "Label on its face"):
        row.locator("summary", has_text=title).click()
    row.get_by_role("button", name="Put in: Label").click()
    label = "fixtures.0.targets.0.label."
    fill(walk, {label + "plate": "23", label + "position_mm.x": "0", label + "position_mm.y": "0"})
    fill(walk, {label + "position_mm.z": "-100"})
    for n in range(4):
        phone.tap_button("One more sheet")
        fill(walk, {f"plates.{7 + n}.number": str(20 + n), f"plates.{7 + n}.u_ruler_mm": ""})
    page.get_by_label("What changed, and why").fill("a mat, a plumb bob and a label")
    phone.tap_button("Add this revision")
    # What is empty is told beside its field, in a part that was folded meanwhile, too.
    expect(told_at(walk, "mats.0.targets.0.position_mm.y")).to_contain_text("is empty")
    expect(told_at(walk, "levels.0.up")).to_contain_text("if it hangs free")
    fill(walk, {"mats.0.targets.0.position_mm.y": "12"})
    page.get_by_label("y: it hangs free").check()
    phone.tap_button("Add this revision")
    page.wait_for_url(re.compile("/kits/[0-9a-f]{32}$"))
    expect(page.get_by_role("heading", name="Mat left")).to_be_visible()
    after = file_of(walk)
    assert after["levels"] == [{"plate": 22, "up": "y", "u_deg": 0.1}]
    assert after["mats"]["left"]["targets"]["mark"]["position_mm"] == [0, 12]
    label_made = after["fixtures"]["front"]["targets"]["board"].pop("label")
    assert (label_made["plate"], label_made["position_mm"]) == (23, [0, 0, -100])
    new = {key: after.pop(key) for key in ("mats", "levels")}
    assert list(new["mats"]) == ["left"] and before.pop("plates").items() <= after.pop("plates").items()
    assert after == before


def test_a_placement_of_the_mat_is_typed_in_and_refused_until_it_is_whole(walk: Walk) -> None:
    phone, page = walk.phone, walk.page
    phone.open("/placements/new?family=mat_round")
    assert page.locator("[name='file.fixture']").count() == 1  # no fixture is offered for what lies

    def figure(name: str) -> Locator:
        return page.locator(f"[name='file.{name}']")

    page.get_by_label("Name", exact=True).fill("mat on the left")
    page.get_by_label("The procedure's title").fill("An invented procedure")
    page.get_by_label("Its edition or date").fill("2026-02")
    page.get_by_label("centreline", exact=True).check()
    page.locator("[name='file.datum'][value=rear_axle]").check()
    figure("facing_deg").fill("0")
    page.locator("[name='file.origin.at'][value=rear_left]").check()
    figure("origin.axis_deg").fill("90")
    row = page.locator("details[data-row]").filter(has=figure("values.flatness_mm.plus"))
    row.get_by_role("button", name="Take out: Flatness").click()
    for key, numbers in {"distance_mm": ("1400", "20", "20"), "heading_deg": ("0", "1", "1")}.items():
        for part, text in zip(("nominal", "minus", "plus"), numbers, strict=True):
            figure(f"values.{key}.{part}").fill(text)
    figure("values.gap_mm.nominal").fill("800")
    phone.tap_button("Add the placement")
    wrong = page.locator("#f-file-values-gap_mm-minus-wrong")
    expect(wrong).to_contain_text("Take the value out if the procedure asks for none")
    for part in ("minus", "plus"):
        figure(f"values.gap_mm.{part}").fill("10")
    phone.tap_button("Add the placement")
    page.wait_for_url(re.compile("/placements/[0-9a-f]{32}$"))
    drawn = page.get_by_role("img", name=re.compile("where the target is meant to be, beside"))
    expect(drawn).to_contain_text("Gap 800")
    expect(drawn).to_contain_text("left: mark")
    width = page.evaluate("document.documentElement.scrollWidth")
    assert width <= SMALL_PX["width"]


def test_in_inches_a_save_changes_only_what_was_typed(walk: Walk) -> None:
    phone, page = walk.phone, walk.page
    before = file_of(walk)
    page.context.add_cookies([{"name": "plumbsight_shown", "value": "in_comma", "url": phone.url}])
    phone.open(f"/kits/{walk.ids['kit']}/edit")
    unfold(walk, "wheels")
    page.locator("summary", has_text="Wheel rear right").click()
    expect(control(walk, "wheels.rear_right.standoff_mm")).to_have_value("4,724")
    fill(walk, {"wheels.rear_right.standoff_mm": "4,75"})
    page.get_by_label("What changed, and why").fill("in inches")
    phone.tap_button("Add this revision")
    page.wait_for_url(re.compile("/kits/[0-9a-f]{32}$"))
    page.context.clear_cookies(name="plumbsight_shown")
    before["wheels"]["rear_right"]["standoff_mm"] = 120.65
    assert file_of(walk) == before


def test_a_file_is_taken_from_the_phone_looked_at_and_kept(walk: Walk) -> None:
    phone, page = walk.phone, walk.page
    phone.open(f"/kits/{walk.ids['kit']}/edit/file")
    text = page.locator("#f-file").input_value().replace('"van 1"', '"van 2"')
    file: Any = {"name": "kit.json", "mimeType": "application/json", "buffer": text.encode()}
    page.locator("input[type=file]").set_input_files(file)
    expect(page.locator("#f-file")).to_have_value(text)
    page.get_by_label("What changed, and why").fill("renamed")
    phone.tap_button("Add this revision")
    expect(page.get_by_role("heading", level=1, name="van 2")).to_be_visible()


def test_a_first_kit_is_made_from_what_was_measured_and_says_what_it_proves(walk: Walk) -> None:
    phone, page = walk.phone, walk.page
    phone.open("/kits/new")
    phone.tap(page.get_by_role("link", name=re.compile("A first kit")))
    proved = page.locator("#outlook")
    # Before anything is measured, of the usual kit.
    expect(proved.locator("table")).to_have_count(3, timeout=180_000)
    before = proved.inner_text()
    wheels = ("front_left", "front_right", "rear_left", "rear_right")
    for wheel in wheels:
        page.locator(f"[name='first.standoffs_mm.{wheel}']").fill("0,12")
    page.locator("[name='first.board_mm']").fill("three")
    phone.tap_button("What can such a kit prove?")
    expect(page.locator("#f-first-board_mm-wrong")).to_contain_text("no number")
    page.locator("[name='first.board_mm']").fill("3")
    phone.tap_button("What can such a kit prove?")
    expect(page.locator("#f-first-standoffs_mm-rear_left-wrong")).to_contain_text("if these are metres")
    for wheel in wheels:
        page.locator(f"[name='first.standoffs_mm.{wheel}']").fill("320")
    phone.tap_button("What can such a kit prove?")
    expect(proved).to_contain_text("Being worked out")
    expect(proved.locator("table")).to_have_count(3, timeout=180_000)
    assert proved.inner_text() != before  # clamps that stand out farther turn more of their tilt into place
    expect(page.locator("[name='first.standoffs_mm.rear_left']")).to_have_value("320")

    phone.tap_button("Make this kit")
    for name in ("first-rule", "first-fixture_plates-0-y", "first-target_mm-x", "first-name"):
        expect(page.locator(f"#f-{name}-wrong")).not_to_be_empty()
    figures = {"fixture_plates.0.y": "350", "fixture_plates.0.z": "0", "fixture_plates.1.y": "-350"}
    figures |= {"fixture_plates.1.z": "0", "target_mm.x": "12", "target_mm.y": "0", "target_mm.z": "-200"}
    for name, text in (figures | {"name": "first kit"}).items():
        page.locator(f"[name='first.{name}']").fill(text)
    page.get_by_label("good steel rule").check()
    page.locator("summary", has_text="Rulers").click()
    page.locator("[name='first.rulers.4.mm']").fill("149,8")
    phone.tap_button("Make this kit")
    page.wait_for_url(re.compile("/kits/[0-9a-f]{32}$"))
    expect(page.get_by_role("heading", level=1, name="first kit")).to_be_visible()
    walk.ids["kit"] = page.url.rsplit("/", 1)[1]
    assert file_of(walk)["plates"]["4"]["printed_scale"] == round(149.8 / 150, 6)
