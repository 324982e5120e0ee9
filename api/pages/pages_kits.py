"""Pages of kits: what one holds, how it came to be so, and the forms that make and revise it."""

import json
from collections.abc import Iterable
from typing import Any, get_args

from fastapi.responses import HTMLResponse
from sqlalchemy.orm import Session

from api.figures import Figures
from api.pages import kitdrawings, kitwords
from api.pages.pages import Desk, Editing, Paired, page_router
from api.pages.words import Words
from api.visits import kitform, kits, mountings, placements, proofs
from api.visits.kits import KitView
from calib_data import starting
from calib_data.formats import WheelName
from calib_data.layouts import load_layouts
from vision.mountings import Repeatability

router = page_router()

WHEELS: tuple[str, ...] = get_args(WheelName)
DRAWINGS = {
    "clamp": kitdrawings.clamp,
    "off_axis": kitdrawings.off_axis,
    "floor_plate": kitdrawings.floor_plate,
    "bar": kitdrawings.bar,
    "datum": kitdrawings.datum,
    "mat": kitdrawings.mat_axes,
    "level": kitdrawings.level,
    "sheet": kitdrawings.sheet,
}


@router.get("/kits")
def all_kits(desk: Paired) -> HTMLResponse:
    with desk.service.store.reading() as db:
        rows = [kits.view(db, row) for row in kits.listed(db, with_retired=True)]
    return desk.page("kits.html", kits=rows, may_edit=desk.may_edit)


@router.get("/kits/new")
def new_kit(desk: Editing) -> HTMLResponse:
    """The ways to a new kit."""
    return desk.page("kit_new.html")


@router.get("/kits/new/form")
def new_kit_by_form(desk: Editing) -> HTMLResponse:
    return _form(desk, None)


@router.get("/kits/new/file")
def new_kit_by_file(desk: Editing) -> HTMLResponse:
    return desk.page("kit_edit.html", kit=None, text="")


@router.get("/kits/{kit_id}")
def kit(kit_id: str, desk: Paired, revision: int | None = None) -> HTMLResponse:
    with desk.service.store.reading() as db:
        row = kits.at(db, kit_id, revision) if revision else kits.current(db, kit_id)
        shown = kits.view(db, row)
        history = [kits.view(db, one) for one in kits.history(db, kit_id)]
        served = [(one.placement_id, one.name) for one in placements.listed(db) if _serves(shown, one.file)]
        stands = proofs.standing(db, kit_id, row.revision)
        hung = mountings.of_kit(db, kit_id)
    return desk.page(
        "kit.html",
        mountings=hung if hung.n_checks else None,
        repeats=[
            (key, _repeats(key, one, desk.figures))
            for key, one in (("eccentricity", hung.eccentricity_mm), ("tilt", hung.tilt_deg))
            if one is not None
        ],
        kit=shown,
        stands=stands,
        form=kitform.shown(shown.file),
        history=history,
        changed=changes_told(history, desk.words, desk.figures),
        drawn_to_scale=_drawn_to_scale(shown.file, desk.words),
        placements=served,
        sheets=_sheets(shown.file),
        may_edit=desk.may_edit,
        is_demo=shown.is_demo,
        text=_pretty(shown.file),
    )


def _repeats(key: str, one: Repeatability, figures: Figures) -> dict[str, str]:
    unit = "_mm" if key == "eccentricity" else "_deg"
    parts = {"s": one.s, "off": one.off, "u": one.u}
    return {name: figures.with_unit(unit, figures.u(unit, x)) for name, x in parts.items()} | {
        "dof": str(one.dof)
    }


@router.get("/kits/{kit_id}/edit")
def edit_kit(kit_id: str, desk: Editing) -> HTMLResponse:
    with desk.service.store.reading() as db:
        return _form(desk, _current(db, kit_id))


@router.get("/kits/{kit_id}/edit/file")
def edit_kit_file(kit_id: str, desk: Editing) -> HTMLResponse:
    with desk.service.store.reading() as db:
        shown = _current(db, kit_id)
    return desk.page("kit_edit.html", kit=shown, text=_pretty(shown.file), is_demo=shown.is_demo)


def changes_told(history: list[KitView], words: Words, figures: Figures) -> dict[int, list[str]]:
    """By revision, what it changed of the one before it."""
    return {
        one.revision: kitwords.told(before.file, one.file, words, figures)
        for one, before in zip(history, history[1:], strict=False)
    }


def _serves(kit: KitView, placement: kitform.Json) -> bool:
    carriers = {**kit.file.get("mats", {}), **kit.file.get("fixtures", {})}
    return placement["target"] in carriers.get(placement["fixture"], {}).get("targets", {})


def _sheets(file: kitform.Json) -> list[list[int]]:
    """The kit's plates, by the layout that they are printed in."""
    numbers = sorted(map(int, file["plates"]))
    by_layout = [[n for n in numbers if layout.has_plate(n)] for layout in load_layouts()]
    return [one for one in by_layout if one]


def _current(db: Session, kit_id: str) -> KitView:
    return kits.view(db, kits.current(db, kit_id))


def _form(desk: Desk, kit: KitView | None) -> HTMLResponse:
    ring = load_layouts()[0]  # the ruler is as long on every layout that ships
    return desk.page(
        "kit_form.html",
        kit=kit,
        form=kitform.shown(kit.file if kit else {}),
        new=new_parts(),
        contents=_contents(kit.file if kit else {}, desk),
        wheels=WHEELS,
        drawn={name: draw(desk.words) for name, draw in DRAWINGS.items()},
        drawn_to_scale=_drawn_to_scale(kit.file if kit else {}, desk.words),
        ruler_mm=ring.ruler_mm,
        size_mm=2 * ring.pattern_half_mm,
        kept=[key for key in (kit.file if kit else {}) if key not in _SHOWN],
        is_demo=kit is not None and kit.is_demo,
    )


def _contents(file: kitform.Json, desk: Desk) -> dict[str, str]:
    """What each part of the form holds, in a line."""
    words = desk.words

    def plates(entries: Iterable[kitform.Json]) -> str:
        numbers = [str(one["plate"]) for one in entries]
        return words.count("kitform.plates_line", len(numbers), plates=", ".join(numbers)) if numbers else ""

    def carried(key: str) -> str:
        told = (
            words("kitform.carrier_line", name=name, targets=", ".join(one["targets"]))
            for name, one in file.get(key, {}).items()
        )
        return "; ".join(told)

    wheels = (f"{words(f'wheel.{name}')} {one['plate']}" for name, one in file.get("wheels", {}).items())
    bars = file.get("scale_bars", [])
    n_sheets = len(file.get("plates", {}))
    return {
        "wheels": ", ".join(wheels),
        "fixtures": carried("fixtures"),
        "mats": carried("mats"),
        "floor": plates(file.get("floor", [])),
        "bars": ", ".join(desk.figures.length(bar["length_mm"]) for bar in bars),
        "datums": ", ".join(file.get("datum_plates", {})),
        "levels": plates(file.get("levels", [])),
        "sheets": words.count("kitform.sheets_line", n_sheets) if n_sheets else "",
    }


# Of a kit's file; what else it has stays as it is.
_SHOWN = {*kitform.KitForm.model_fields, "format", "u_ruler_scale"}


def new_parts() -> dict[str, kitform.Part]:
    """What an added row holds at first: uncertainties of a tape, a square and a steel rule."""
    nowhere = kitform.Vector(x=0.0, y=0.0, z=0.0)
    on_fixture: dict[str, Any] = {
        "rotation_deg": nowhere,
        "u_position_mm": starting.U_POSITION_MM,
        "u_rotation_deg": starting.U_ROTATION_DEG,
    }
    return {
        "plate": kitform.PlatePart(
            u_ruler_mm=round(starting.U_PRINTED_SCALE * starting.RULER_MM, 3), u_bow_mm=starting.U_BOW_MM
        ),
        "wheel": kitform.WheelPart(
            u_standoff_mm=starting.U_STANDOFF_MM,
            u_eccentricity_mm=starting.U_ECCENTRICITY_MM,
            u_tilt_deg=starting.U_TILT_DEG,
        ),
        "fixture": kitform.FixturePart(),
        "mount": kitform.MountPart(**on_fixture),
        "target": kitform.TargetPart(**on_fixture),
        "label": kitform.LabelPart(**on_fixture),
        "mat": kitform.MatPart(),
        "mat_plate": kitform.MatPlatePart(u_position_mm=starting.U_POSITION_MM),
        "mark": kitform.MarkPart(
            u_position_mm=starting.U_POSITION_MM, u_rotation_deg=starting.U_ROTATION_DEG
        ),
        "level": kitform.LevelPart(),
        "floor": kitform.FloorPart(u_flatness_mm=starting.U_FLATNESS_MM),
        "bar": kitform.BarPart(u_length_mm=starting.U_BAR_MM),
        "datum": kitform.DatumPart(offset_mm=nowhere, u_mm=1.0),
    }


def _drawn_to_scale(file: kitform.Json, words: Words) -> dict[str, Any]:
    """Each fixture and mat by its name, which both have apart."""
    fixtures = {name: kitdrawings.fixture(one, words) for name, one in file.get("fixtures", {}).items()}
    return fixtures | {name: [kitdrawings.mat(one, words)] for name, one in file.get("mats", {}).items()}


def _pretty(file: Any) -> str:
    return json.dumps(file, indent=1, ensure_ascii=False)
