"""`python -m tools.screenshots FOLDER`: walks through the pages in a real browser and keeps what it shows.

Everything on them is invented: the photos are rendered, the shop, the vehicle and the people do not exist.
"""

import re
import tempfile
from datetime import datetime, timedelta
from pathlib import Path

import click
from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

from api.access import people, sessions, shop
from api.access.sessions import COOKIE
from api.context import Caller
from api.store import open_store
from api.visits import kits, placements
from api.visits.placements import Typed
from tools.phone import LAPTOP_PX, PHONE_PX, PIN, Phone, Served, launch
from tools.story_photos import StoryRound, story_files, story_round

HOST, PORT = "127.0.0.1", 8971
SCALE = 1  # device pixels per pixel: small files
N_COLOURS = 96


@click.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
def main(folder: Path) -> None:
    """Write PNGs of the pages into FOLDER: phone size, some also at laptop size and on a dark screen."""
    folder.mkdir(parents=True, exist_ok=True)
    click.echo("Rendering two rounds of photos: half a minute.", err=True)
    rounds = {which: story_round(which) for which in ("off", "corrected")}
    with tempfile.TemporaryDirectory() as kept, sync_playwright() as playwright:
        store = Path(kept) / "store"
        secret = _set_up(store)
        served = Served(store, HOST, PORT)
        served.start()
        browser = launch(playwright)
        try:
            _walk(Phone(_page(browser, secret), served.url, shots=folder), rounds, browser, secret)
        finally:
            browser.close()
            served.stop()
    for path in folder.glob("*.png"):
        _shrink(path)


def _shrink(path: Path) -> None:
    """Few colours: a page has not many, and its photos are small."""
    Image.open(path).convert("RGB").quantize(N_COLOURS, dither=Image.Dither.NONE).save(path, optimize=True)


def _set_up(folder: Path) -> str:
    """A shop with an owner, a kit and a placement; the secret of the owner's paired phone."""
    kit, placement, _ = story_files()
    store = open_store(folder)
    with store.writing() as db:
        owner = people.add(db, "O. Example", "owner")
        people.set_pin(db, owner.id, people.hash_pin(PIN))
        people.add(db, "T. Example", "technician")
        opened = sessions.begin(db, owner.id, "Android phone")
        caller = Caller(owner.id, owner.name, "owner", opened.id)
        shop.change(db, {"name": "Invented shop", "bays": ("bay 1", "bay 2")})
        kits.add(db, caller, kit, "first measured", confirmed=True)
        typed = Typed("An invented procedure", "2026-02", "board_ahead", "", confirmed=True)
        placements.add(db, caller, placement, typed)
    store.close()
    return opened.secret


def _page(browser: Browser, secret: str, size_px: tuple[int, int] = PHONE_PX, dark: bool = False) -> Page:
    context = browser.new_context(
        viewport={"width": size_px[0], "height": size_px[1]},
        color_scheme="dark" if dark else "light",
        device_scale_factor=SCALE,
        locale="en",
    )
    cookie = {"name": COOKIE, "value": secret, "url": f"http://{HOST}:{PORT}"}
    context.add_cookies([cookie])  # type: ignore[list-item]
    return context.new_page()


def _walk(phone: Phone, rounds: dict[str, StoryRound], browser: Browser, secret: str) -> None:
    page = phone.page
    phone.open("/visits/new")
    phone.fill("Vehicle", "hatchback, grey")
    phone.fill("Wheelbase", "2748.3")
    phone.shoot("new_visit")
    phone.tap_button("Begin")
    page.wait_for_url(re.compile(r"/visits/[0-9a-f]{32}$"))
    visit = page.url
    phone.shoot("visit", whole=True)
    first = _round(phone, rounds["off"], "Take the first photos", "round_photos")
    phone.shoot("result", whole=True)
    phone.open(visit.removeprefix(phone.url))
    late = rounds["off"].taken(datetime.now() - timedelta(hours=3), prefix="LATE")
    second = _round(phone, rounds["corrected"], "Take photos after the correction", "round_tray", late)
    phone.shoot("result_conforming")
    phone.open(f"{visit.removeprefix(phone.url)}/compare?a={first}&b={second}")
    phone.shoot("compare", whole=True)
    phone.open(visit.removeprefix(phone.url))
    phone.shoot("visit_decided")
    phone.tap_button("Close and sign the visit")
    phone.shoot("sign", whole=True)
    page.get_by_label(re.compile("PIN or password of")).fill(PIN)
    phone.tap_button("Sign")
    page.wait_for_url("**/records/*")
    phone.shoot("record", whole=True)
    for name in ("visits", "records", "kits", "placements", "people", "status", "help", "pair"):
        phone.open(f"/{name}")
        page.wait_for_load_state("networkidle")
        phone.shoot(name, whole=True)
    phone.open("/placements/new?family=board_ahead")
    phone.shoot("placement_new", whole=True)
    for name, size_px, dark in (("laptop", LAPTOP_PX, False), ("dark", PHONE_PX, True)):
        other = Phone(_page(browser, secret, size_px, dark), phone.url, shots=phone.shots)
        other.open(f"/rounds/{first}/result")
        other.shoot(f"result_{name}", whole=name == "laptop")
        other.open(visit.removeprefix(phone.url))
        other.shoot(f"visit_{name}")


def _round(
    phone: Phone, photos: StoryRound, button: str, name: str, late: dict[str, bytes] | None = None
) -> str:
    """Take a round's photos, keep what the screen shows, and measure; the round's id."""
    made = phone.open_round(button)
    slip = phone.page.locator("#slip .qr").get_attribute("aria-label") or ""
    own = photos.taken(datetime.now(), slip.removeprefix("QR code: "))
    phone.choose(own | dict(list((late or {}).items())[:1]))
    phone.wait_for_stored(len(own))
    phone.wait_for_looks()
    phone.page.wait_for_load_state("networkidle")
    phone.shoot(name, whole=True)
    if late:
        phone.tap_button("Leave it out")
        phone.page.locator("li[id^=tray-]").wait_for(state="detached")
    phone.measure()
    return made


if __name__ == "__main__":
    main()
