"""The plate layouts that ship with plumbsight: calib_data/layouts/*.json."""

import json
from functools import cache
from importlib import resources

from vision.errors import LayoutError
from vision.layout import Layout, parse_layout


@cache
def load_layouts() -> tuple[Layout, ...]:
    """All layouts, in the order of their plate numbers.

    Raises:
        LayoutError: A file is not usable, or two layouts claim the same plate number or tag id.
    """
    folder = resources.files("calib_data") / "layouts"
    files = sorted((f for f in folder.iterdir() if f.name.endswith(".json")), key=lambda f: f.name)
    layouts = []
    for file in files:
        try:
            data = json.loads(file.read_text(encoding="utf-8"))
        except ValueError as error:
            raise LayoutError(f"{file.name} is not JSON: {error}. Install plumbsight anew.") from error
        layouts.append(parse_layout(data))
    return ordered_layouts(layouts)


def ordered_layouts(layouts: list[Layout]) -> tuple[Layout, ...]:
    """The layouts by plate number, after checking that a number names one layout only.

    Raises:
        LayoutError: Two layouts have a name, a plate number or a tag id in common.
    """
    by_plate = sorted(layouts, key=lambda layout: layout.first_plate)
    for one, other in zip(by_plate, by_plate[1:], strict=False):
        if one.first_plate + one.n_plates > other.first_plate:
            raise LayoutError(
                f"Layouts {one.name} and {other.name} both claim plate {other.first_plate}. "
                "Give them separate ranges of plate numbers."
            )
    by_id = sorted(layouts, key=lambda layout: layout.first_id)
    for one, other in zip(by_id, by_id[1:], strict=False):
        if one.first_id + one.n_plates * one.ids_per_plate > other.first_id:
            raise LayoutError(
                f"Layouts {one.name} and {other.name} both use tag id {other.first_id}. "
                "Give them separate ranges of tag ids."
            )
    names = [layout.name for layout in layouts]
    if len(set(names)) < len(names):
        raise LayoutError("Two layouts have the same name. Rename one of them.")
    return tuple(by_plate)
