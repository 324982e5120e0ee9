"""Pages of what was measured again: the list with its filters and plots, and a round beside its
re-measurement."""

import math
from collections.abc import Iterable, Iterator
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import Query
from fastapi.responses import HTMLResponse
from sqlalchemy.orm import Session

from api.pages import residuals
from api.pages.pages import Desk, Reviewing, page_router
from api.pages.pages_records import last_done, photos_of
from api.photos.photo_view import PhotoView, of_visit
from api.problems import NotThereError
from api.records import chain, reviewing
from api.review import remeasured
from api.review.remeasured import MOST_COUNTED, OneRound, Order, results_of
from api.review.routes_review import TheWanted
from api.review.taking_away import PLOTS, needed
from api.tables import PhotoFile
from api.tables import Round as RoundHere
from calib_data.recheck import NOTES, OUTCOMES
from calib_data.results import Round, Value

router = page_router()


@router.get("/review")
def listed(
    desk: Reviewing,
    which: TheWanted,
    order: Order = "taken",
    down: bool = True,
    after: Annotated[str, Query(max_length=100)] = "",
) -> HTMLResponse:
    with results_of(desk.service) as db:
        found = remeasured.page(db, which, order, down, after)
        rows = [_line(desk, row) for row in found.rows]
    with desk.service.store.reading() as db:
        verdicts = {round_id: chain.body_of(one)["verdict"] for round_id, one in reviewing.latest(db).items()}
    asked = which.given() | {"order": order, "down": "true" if down else "false"}
    return desk.page(
        "review.html",
        rows=rows,
        verdicts=verdicts,
        n=found.n,
        is_more=found.n > MOST_COUNTED,
        most=MOST_COUNTED,
        wanted=which,
        order=order,
        orders=remeasured.orders(),
        down=down,
        choices=remeasured.choices(desk.service),
        outcomes=OUTCOMES,
        next=urlencode(asked | {"after": found.after}) if found.after else "",
        first=urlencode(asked) if after else "",
        filters=urlencode(which.given()),
        plots=PLOTS,
    )


def _line(desk: Desk, row: Round) -> dict[str, Any]:
    """A round as the list has it."""
    figures = desk.figures

    def number(value: float | None, decimals: int) -> str:
        return "" if value is None else figures.number(value, decimals)

    return {
        "id": row.id,
        "round_id": row.round_id,
        "visit": row.visit,
        "taken": (row.taken or "")[:10],
        "bay": row.bay or "",
        "kit": row.kit_name or "",
        "phone": row.phone or "",
        "vehicle": row.vehicle or "",
        "study": row.study or "",
        "set_up": row.set_up or "",
        "decision": "" if row.set_up else row.decision_today or "",  # a study decides nothing
        "outcome": OUTCOMES.get(row.outcome, row.outcome),
        "wheelbase_off": number(None if row.wheelbase_off is None else 1000 * row.wheelbase_off, 2),
        "residual_ratio": number(row.residual_ratio, 2),
        "redundancy": number(row.redundancy, 0),
        "n_photos": number(row.n_photos, 0),
        "largest_off_u": "" if row.largest_off_u is None else figures.words(f"{abs(row.largest_off_u):.1g}"),
    }


@router.get("/review/rounds/{row_id}")
def one(row_id: int, desk: Reviewing) -> HTMLResponse:
    with results_of(desk.service) as db:
        found = remeasured.one_round(db, row_id)
        line = _line(desk, found.row)
        page: dict[str, Any] = {
            "row": line,
            "says": desk.figures.words(found.row.says),
            "signed": "" if found.row.set_up else found.row.decision_signed or "",
            "placements": list(_placements(desk, found)),
            "facts": list(_values(desk, found, (v for v in found.values if v.subject == "vehicle"), "fact")),
            "failed": [desk.figures.words(test.says) for test in found.failed],
            "findings": [
                (OUTCOMES.get(one.kind) or NOTES.get(one.kind, one.kind), desk.figures.words(one.says))
                for one in found.findings
            ],
        }
        levels = found.photos
    with desk.service.store.reading() as db:
        entries = [chain.body_of(entry) for entry in reviewing.of_round(db, line["round_id"])]
        here = db.get(RoundHere, line["round_id"])
        done = last_done(db, here.id) if here else None
        stored = of_visit(db, here.visit_id) if here else []
        photos: list[Any] = []
        if here and done and done.result:
            photos = list(photos_of(desk, done.result["photos"], here.id, stored))
        shown = residuals.shown(levels, _pictures(db, photos, stored), desk.words, desk.figures)
    page["levels"] = shown
    return desk.page("review_round.html", **page, entries=entries, is_here=here is not None, photos=photos)


def _pictures(
    db: Session, photos: Iterable[dict[str, Any]], stored: Iterable[PhotoView]
) -> dict[str, tuple[str, PhotoFile]]:
    """By name, id and file of a round's photos whose picture can be shown."""
    sha256_of = {photo.id: photo.sha256 for photo in stored if not photo.is_removed}
    return {
        photo["name"]: (photo["id"], db.get_one(PhotoFile, sha256_of[photo["id"]]))
        for photo in photos
        if photo["id"] in sha256_of
    }


@router.get("/review/study")
def study(desk: Reviewing, name: Annotated[str, Query(max_length=200)] = "") -> HTMLResponse:
    """What a study's rounds say: repeatability, and how far people and shops differ."""
    path = remeasured.path_of(desk.service)
    read, gauge = (needed(f"calib_data.review.{one}") for one in ("reading", "gauge"))
    rounds = read.read_study(path, name)
    if rounds.empty:
        raise NotThereError(desk.words("review.study.none"))
    return desk.page(
        "review_study.html", name=name, parts=list(_parts(desk, gauge.gauge_table(rounds), gauge))
    )


def _parts(desk: Desk, table: Any, gauge: Any) -> Iterator[dict[str, Any]]:
    """Each part of the table of a study, a row a value, and what is to be known of it."""
    several = table["shop"].nunique() > 1
    for (shop, set_up), part in table.groupby(["shop", "set_up"], sort=False):
        spreads = [spread for spread in gauge.SPREADS if spread in set(part["spread"])]
        rows = []
        for key, of_value in part.groupby("figure", sort=False):
            by = of_value.set_index("spread")
            cells = [_spread(desk, key, by.loc[spread]) if spread in by.index else "" for spread in spreads]
            rows.append((desk.words.known("value", key), cells))
        counts = {name: int(part[name].max()) for name in ("n", "persons", "shops")}
        about = {"set_up": set_up, "shop": shop[:8] if several else "", "notes": list(gauge.notes(part))}
        yield {**about, "spreads": spreads, "rows": rows, **counts}


def _spread(desk: Desk, key: str, row: Any) -> str:
    """Value (lower to upper), in the value's unit."""

    def number(value: float) -> str:
        if not value:
            return "0"
        return desk.figures.u(key, value) if math.isfinite(value) else desk.words("review.no_bound")

    bounds = "" if math.isnan(row["lower"]) else f" ({number(row['lower'])} … {number(row['upper'])})"
    return desk.figures.with_unit(key, number(row["value"])) + bounds


def _placements(desk: Desk, found: OneRound) -> Iterator[tuple[str, list[dict[str, str]]]]:
    """Each placement with its values, then and today."""
    of = [value for value in found.values if value.subject == "placement"]
    for name in dict.fromkeys(value.name for value in of):
        yield name, list(_values(desk, found, (value for value in of if value.name == name), "value"))


def _values(desk: Desk, found: OneRound, values: Iterable[Value], prefix: str) -> Iterator[dict[str, str]]:
    figures, words = desk.figures, desk.words

    def shown(value: Value, number: float | None, u: float | None) -> str:
        if number is None or not u:
            return ""
        return figures.with_unit(value.key, figures.value(value.key, number, u))

    for value in values:
        decisions = (None, None) if found.row.set_up else (value.decision_signed, value.decision_today)
        then, now = (words(f"decision.{one}") if one else "" for one in decisions)
        yield {
            "label": words.known(prefix, value.key),
            "signed": shown(value, value.signed, value.u_signed),
            "today": shown(value, value.today, value.u_today),
            "u": figures.with_unit(value.key, figures.u(value.key, value.u_today)) if value.u_today else "",
            "off": "" if value.off_u is None else figures.words(f"{value.off_u:.1g}"),
            "then": then,
            "now": now,
            "says": figures.words(value.says),
        }
