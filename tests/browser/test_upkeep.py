"""A kit is proved at phone size over plain HTTP: by a bar that is met, then by one that is not."""

import re
from datetime import datetime

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from tests.browser.conftest import Walk, new_page
from tools.story_photos import StoryRound, story_files, story_scene


@pytest.fixture(scope="module")
def bar() -> tuple[int, int, float]:
    """Two plates of the story's fixture, and the true distance of their centres in the rendered photos."""
    one, other = [plate for plate in story_scene("off").plates if plate.role == "fixture"][:2]
    way = one.T_world_plate[:3, 3] - other.T_world_plate[:3, 3]
    return one.number, other.number, float(np.linalg.norm(way))


def test_a_phone_pairs_and_a_kit_that_was_never_proved_says_so(walk: Walk) -> None:
    walk.phone.pair_as_first(walk.served.code(), "O. Example")
    kit, placement, _ = story_files()
    walk.ids["kit"] = walk.post("/api/kits", {"file": kit, "says": "", "confirmed": True})["kit_id"]
    typed = {"procedure_title": "An invented procedure", "procedure_edition": "2026-02", "family": ""}
    body = {"file": placement, "confirmed": True, **typed}
    walk.ids["placement"] = walk.post("/api/placements", body)["placement_id"]
    walk.phone.open(f"/kits/{walk.ids['kit']}")
    expect(walk.page.get_by_text("The kit has never been proved.")).to_be_visible()
    walk.phone.tap_button("Proofs, teaching, lenses")
    expect(walk.page.get_by_text(re.compile("The next proof is due since"))).to_be_visible()


def _prove(walk: Walk, photos: dict[str, bytes], bar: tuple[int, int, float], length_mm: float) -> str:
    """A proof from the form to what came of it; the upkeep's path."""
    phone, page = walk.phone, walk.page
    phone.open(f"/kits/{walk.ids['kit']}/upkeep")
    phone.tap_button("Proof by a bar")
    phone.fill("Plate at one end", str(bar[0]))
    phone.fill("Plate at the other end", str(bar[1]))
    phone.fill("Length between the two centres", f"{length_mm:.2f}".replace(".", ","))
    phone.fill("Standard uncertainty of the length", "0.2")
    phone.tap_button("Go on to the photos")
    page.wait_for_url(re.compile("/upkeep/[0-9a-f]{32}$"))
    phone.choose(photos)
    phone.wait_for_stored(len(photos))
    phone.tap_button("That is all: work it out")
    page.locator("#came").wait_for()
    return page.url.removeprefix(phone.url)


def test_a_bar_that_is_met_proves_the_kit(
    walk: Walk, rounds_of_photos: dict[str, StoryRound], bar: tuple[int, int, float]
) -> None:
    photos = rounds_of_photos["off"].taken(datetime.now(), prefix="BAR")
    walk.ids["passed"] = _prove(walk, photos, bar, bar[2])
    page = walk.page
    proof = page.locator("section[id^=proof-]")
    expect(proof).to_contain_text("passed", timeout=120_000)  # the page hears of it by itself
    expect(proof).to_contain_text("in 95 of 100 cases")
    expect(proof).to_contain_text("print scale")
    walk.phone.open(f"/kits/{walk.ids['kit']}")
    expect(page.locator("#standing")).to_contain_text("passed. It would have shown")
    expect(page.locator("#standing")).to_contain_text("The next proof is due on")


def test_a_bar_that_is_missed_flags_the_kit_and_the_next_visit_says_so(
    walk: Walk, rounds_of_photos: dict[str, StoryRound], bar: tuple[int, int, float]
) -> None:
    photos = rounds_of_photos["corrected"].taken(datetime.now(), prefix="LONG")
    walk.ids["flagged"] = _prove(walk, photos, bar, 1.02 * bar[2])
    page, phone = walk.page, walk.phone
    expect(page.locator("section[id^=proof-]")).to_contain_text("the kit is flagged", timeout=120_000)
    phone.open("/visits/new")
    expect(page.get_by_text("This kit is flagged.")).to_be_visible()
    _, _, vehicle = story_files()
    chosen = {"kit_id": walk.ids["kit"], "placement_ids": [walk.ids["placement"]]}
    walk.ids["visit"] = walk.post("/api/visits", {"vehicle": vehicle, **chosen})["id"]
    phone.open(f"/visits/{walk.ids['visit']}")
    expect(page.locator("#proof")).to_contain_text("This kit is flagged")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_and_no_page_is_wider_than_a_small_screen(walk: Walk, scheme: str) -> None:
    page = new_page(walk.browser, scheme)
    page.context.add_cookies(walk.page.context.cookies())  # type: ignore[arg-type]
    kit, found = walk.ids["kit"], {}
    kinds = ("bar", "slide", "fixture", "sheets", "lens")
    paths = [walk.ids["passed"], walk.ids["flagged"], "/lenses", "/visits/new", f"/kits/{kit}/upkeep"]
    paths += [f"/visits/{walk.ids['visit']}", *(f"/kits/{kit}/upkeep/{kind}" for kind in kinds)]
    rules = {"rules": {"color-contrast-enhanced": {"enabled": True}, "target-size": {"enabled": True}}}
    for path in paths:
        page.set_viewport_size({"width": 320, "height": 640})
        page.goto(walk.phone.url + path)
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        answer = Axe().run(page, options=rules)
        wrong = [v["id"] for v in answer.response["violations"] if v["impact"] in ("serious", "critical")]
        width = page.evaluate("document.documentElement.scrollWidth")
        if wrong or width > 320:
            found[path] = (wrong, width)
    page.context.close()
    assert not found
