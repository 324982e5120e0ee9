"""A form of a kit, filled in -> the kit's file.

What no field shows stays as it is in the file before, and so does each figure that nobody changed, to its
last digit. Every problem of the file is told at the form's field that it came from.
"""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, TypeVar

from api.problems import DoubtError
from api.visits.kitform import (
    AXES,
    FixturePart,
    Json,
    KitForm,
    MatPart,
    Part,
    Plane,
    PlatePart,
    fields_of,
    figures_of,
    layout_of,
    shown,
)
from calib_data.formats import KIT
from calib_data.layouts import load_layouts
from calib_data.reading import Where, say_where
from vision.errors import KitError
from vision.layout import Layout

Row = TypeVar("Row", bound=Part)


@dataclass
class Filled:
    """The file that a form makes, and where in the form each part of it stands.

    Attributes:
        problems: (field, what is wrong), of what no file can hold: parts without a number or name.
        places: Keys in the file -> the form's field that they came from.
        wholes: The same of parts as wholes, where that is another field.
        words: Keys in the file -> what to say instead, where the form asks for something else.
    """

    file: dict[str, Any]
    problems: list[tuple[str, str]] = field(default_factory=list)
    places: dict[str, str] = field(default_factory=dict)
    wholes: dict[str, str] = field(default_factory=dict)
    words: dict[str, str] = field(default_factory=dict)

    def put(self, where: Where, place: str, instead: str = "") -> None:
        """Say where a part or figure of the file, and all in it, stands in the form."""
        self.places[say_where(where)] = place
        if instead:
            self.words[say_where(where)] = instead

    def put_whole(self, where: Where, place: str) -> None:
        """Say where in the form it is told what is wrong with a part as a whole."""
        self.wholes[say_where(where)] = place

    def in_form(self, where: str, says: str) -> tuple[str, str]:
        """A problem of the file, at the form's field and in the form's words."""
        if where in self.wholes:
            return self.wholes[where], says
        owners = [one for one in self.places if where == one or where.startswith((f"{one}.", f"{one}["))]
        owner = max(owners, key=len, default="")
        rest = where[len(owner) :]
        place = self.places[owner] + rest if owner else f"form.{where}"
        if says.startswith("is null"):
            says = EMPTY
        return place, self.words.get(owner, says)


@contextmanager
def told_in_form(filled: Filled) -> Iterator[None]:
    """Let what is wrong with the file, or doubtful, be told at the form's fields, all of it at once."""
    try:
        yield
    except KitError as wrong:
        found = [filled.in_form(where, says) for where, says in wrong.problems]
        raise _wrong([*filled.problems, *found] or [("form", str(wrong))]) from wrong
    except DoubtError as doubt:
        raise DoubtError([filled.in_form(where, says) for where, says in doubt.doubts]) from doubt
    if filled.problems:
        raise _wrong(filled.problems)


def _wrong(problems: Sequence[tuple[str, str]]) -> KitError:
    lines = [f"{where.removeprefix('form.')} {says}" for where, says in problems]
    return KitError("\n".join(lines), tuple(problems))


EMPTY = "is empty. Enter a number, 0 where there is nothing."
NO_NUMBER = "is empty. Enter the figure printed on the plate."
NO_NAME = "is empty. Enter a name, e.g. {such_as}."
TWICE = "stands twice. Take one of the two out, or correct it."
NO_LAYOUT = "is on no sheet that can be printed here. Read it off the sheet again; the numbers are {numbers}."
RULER = (
    "Measure the printed ruler from mark 0 to mark {nominal:g} and enter what the steel rule says, e.g. "
    "{such_as:g} mm. If it is off by more than 1 mm the sheet was scaled in printing: "
    "print it again at 100 %."
)
U_RULER = "Enter how far that reading may be off: 0.1 mm with a steel rule, 0.5 mm with a tape."
RULE = (
    "Enter how far the rule itself may be off over one metre: 0.3 mm of a good steel rule, 1 mm of a "
    "cheap one or a tape, 3 mm of plastic."
)
BOTH_SIDES = "is empty. Enter the pattern's height and its width, or neither."


def filled_in(form: KitForm, old: Json) -> Filled:
    """The file of a form that was begun on `old`; of a new kit, `old` is empty."""
    was = shown(old)
    made = Filled({"format": KIT} | dict(old))
    _keep(made.file, form, was, ("name",))
    made.put(("name",), "form.name")
    if form.rule_mm_per_m != was.rule_mm_per_m:
        _set(made.file, "u_ruler_scale", _ratio(form.rule_mm_per_m, 1000.0))
    made.put(("u_ruler_scale",), "form.rule_mm_per_m", RULE)
    sections = {
        "plates": _plates(made, form, old, was),
        "wheels": {
            name: _entry(made, part, old.get("wheels", {}).get(name), ("wheels", name), f"wheels.{name}")
            for name, part in form.wheels.items()
        },
        "fixtures": _fixtures(made, form, old),
        "mats": _carriers(made, form.mats, old.get("mats", {}), "mats", ("left", "mark")),
        "floor": _listed(made, form.floor, old.get("floor", []), ("floor",), "floor"),
        "scale_bars": _bars(made, form, old),
        "datum_plates": _named(
            made, form.datum_plates, old.get("datum_plates", {}), ("datum_plates",), "datum_plates",
            "bumper_centre",
        ),
        "levels": _listed(made, form.levels, old.get("levels", []), ("levels",), "levels"),
    }  # fmt: skip
    for key, section in sections.items():
        if section or key in old or key == "plates":
            made.file[key] = section
    return made


def _there(parts: Sequence[Row | None]) -> Iterator[tuple[int, Row]]:
    """The rows that were not taken out, with their places in the form."""
    return ((i, part) for i, part in enumerate(parts) if part is not None)


def _entry(made: Filled, part: Part, old: Json | None, where: Where, at: str) -> dict[str, Any]:
    """A part's entry in the file: the old one with what the form says of it."""
    old = old or {}
    entry = dict(old)
    was = type(part).model_validate(fields_of(type(part), old))
    names = figures_of(type(part))
    _keep(entry, part, was, names)
    made.put(where, f"form.{at}")
    for name in names:
        value = getattr(part, name)
        if isinstance(value, Plane):
            made.put((*where, name), f"form.{at}.{name}.x")
            for i, axis in enumerate(_axes(value)):
                made.put((*where, name, i), f"form.{at}.{name}.{axis}")
    return entry


def _keep(entry: dict[str, Any], part: Part, was: Part, names: Iterable[str]) -> None:
    """Set in a file's entry what the form changed; the rest stays as it is there."""
    for name in names:
        new = getattr(part, name)
        if new != getattr(was, name):
            _set(entry, name, _list(new) if isinstance(new, Plane) else new)


def _set(entry: dict[str, Any], name: str, value: Any) -> None:
    if value is None:
        entry.pop(name, None)
    else:
        entry[name] = value


def _axes(vector: Plane) -> tuple[str, ...]:
    return AXES[: len(type(vector).model_fields)]


def _list(vector: Plane) -> list[float | None] | None:
    values = [getattr(vector, axis) for axis in _axes(vector)]
    return None if all(value is None for value in values) else values


def _ratio(length_mm: float | None, of_mm: float) -> float | None:
    return None if length_mm is None else round(length_mm / of_mm, 8)


# --- parts with keys of their own -------------------------------------------------------------------


def _listed(
    made: Filled, parts: Sequence[Any], old: Sequence[Json], where: Where, at: str
) -> list[dict[str, Any]]:
    """A list's entries; each row says which of the old ones it is."""
    return [
        _entry(made, part, _old_at(old, part.was), (*where, n), f"{at}.{i}")
        for n, (i, part) in enumerate(_there(parts))
    ]


def _old_at(old: Sequence[Json], was: int | None) -> Json | None:
    return old[was] if was is not None and 0 <= was < len(old) else None


def _named(
    made: Filled, parts: Sequence[Any], old: Json, where: Where, at: str, such_as: str
) -> dict[str, dict[str, Any]]:
    """Entries by name."""
    entries: dict[str, dict[str, Any]] = {}
    for i, part in _there(parts):
        name = _key(made, part.name, entries, f"form.{at}.{i}.name", NO_NAME.format(such_as=such_as))
        if name is not None:
            entries[name] = _entry(made, part, old.get(part.was), (*where, name), f"{at}.{i}")
            made.put_whole((*where, name), f"form.{at}.{i}.name")
    return entries


def _key(made: Filled, key: Any, taken: Iterable[str], place: str, if_empty: str) -> str | None:
    """A part's key as text; None, and a problem, where it has none of its own."""
    text = str(key).strip() if key is not None else ""
    if not text:
        made.problems.append((place, if_empty))
    elif text in taken:
        made.problems.append((place, TWICE))
    else:
        return text
    return None


def _carriers(
    made: Filled,
    parts: Sequence[FixturePart | None] | Sequence[MatPart | None],
    before: Json,
    key: str,
    such_as: tuple[str, str],
) -> dict[str, dict[str, Any]]:
    """Fixtures or mats with their plates and targets; `such_as` names one, and a target of it."""
    entries = _named(made, parts, before, (key,), key, such_as[0])
    for name, where, at, part in _taken(made, parts, (key,), key):
        one = before.get(part.was, {})
        for inside in ("plates", "targets"):
            made.put_whole((*where, inside), f"form.{at}.name")
        entries[name] |= {
            "plates": _listed(made, part.plates, one.get("plates", []), (*where, "plates"), f"{at}.plates"),
            "targets": _named(
                made, part.targets, one.get("targets", {}), (*where, "targets"), f"{at}.targets", such_as[1]
            ),
        }
    return entries


def _taken(
    made: Filled, parts: Sequence[Any], where: Where, at: str
) -> Iterator[tuple[str, Where, str, Any]]:
    """The rows that have an entry of their name, with their places in file and form."""
    for i, part in _there(parts):
        name = (part.name or "").strip()
        if made.places.get(say_where((*where, name))) == f"form.{at}.{i}":  # of two with one name the first
            yield name, (*where, name), f"{at}.{i}", part


def _fixtures(made: Filled, form: KitForm, old: Json) -> dict[str, dict[str, Any]]:
    before = old.get("fixtures", {})
    entries = _carriers(made, form.fixtures, before, "fixtures", ("front", "board"))
    for name, where, at, part in _taken(made, form.fixtures, ("fixtures",), "fixtures"):
        targets = before.get(part.was, {}).get("targets", {})
        inside = _taken(made, part.targets, (*where, "targets"), f"{at}.targets")
        for target, target_where, target_at, row in inside:
            label, label_before = row.label, targets.get(row.was, {}).get("label")
            entry = entries[name]["targets"][target]
            if label is not None:
                entry["label"] = _entry(
                    made, label, label_before, (*target_where, "label"), f"{target_at}.label"
                )
            elif label_before is not None:
                del entry["label"]
    return entries


def _bars(made: Filled, form: KitForm, old: Json) -> list[dict[str, Any]]:
    entries = _listed(made, form.scale_bars, old.get("scale_bars", []), ("scale_bars",), "scale_bars")
    for n, (i, part) in enumerate(_there(form.scale_bars)):
        entries[n]["plates"] = [part.one, part.other]
        for place in (("scale_bars", n, "plates"), ("scale_bars", n, "plates", 0)):
            made.put(place, f"form.scale_bars.{i}.one", NO_NUMBER if part.one is None else "")
        made.put(
            ("scale_bars", n, "plates", 1),
            f"form.scale_bars.{i}.other",
            NO_NUMBER if part.other is None else "",
        )
    return entries


# --- printed sheets ---------------------------------------------------------------------------------


def _plates(made: Filled, form: KitForm, old: Json, was: KitForm) -> dict[str, dict[str, Any]]:
    before: Json = old.get("plates", {})
    shown_before = {part.was: part for part in was.plates if part is not None}
    entries: dict[str, dict[str, Any]] = {}
    for i, part in _there(form.plates):
        at = f"form.plates.{i}"
        layout = layout_of(part.number)
        if part.number is not None and layout is None:
            made.problems.append((f"{at}.number", NO_LAYOUT.format(numbers=_numbers())))
        key = _key(made, part.number, entries, f"{at}.number", NO_NUMBER)
        if key is None or layout is None:
            continue
        entries[key] = entry = _entry_of_plate(part, before.get(part.was or "", {}), layout)
        _measured(made, part, shown_before.get(part.was, PlatePart()), layout, entry, at)
        such_as = layout.ruler_mm - 0.2
        made.put(("plates", key), at)
        made.put(("plates", key, "layout"), f"{at}.number")
        for name in ("printed_scale", "printed_scale_xy"):
            words = RULER.format(nominal=layout.ruler_mm, such_as=such_as)
            made.put(("plates", key, name), f"{at}.ruler_mm", words)
        made.put(("plates", key, "u_printed_scale"), f"{at}.u_ruler_mm", U_RULER)
    return entries


def _entry_of_plate(part: PlatePart, old: Json, layout: Layout) -> dict[str, Any]:
    entry = dict(old)
    if str(old.get("layout", "")).lower() != layout.name:
        entry["layout"] = layout.name
    was = PlatePart.model_validate(fields_of(PlatePart, old))
    _keep(entry, part, was, ("thickness_mm", "u_bow_mm"))
    return entry


def _measured(
    made: Filled, part: PlatePart, was: PlatePart, layout: Layout, entry: dict[str, Any], at: str
) -> None:
    """The scales of a sheet whose ruler was measured anew; `was` is what the form showed."""
    sides = ("height_mm", "width_mm")
    one_side = [side for side in sides if getattr(part, side) is None]
    if len(one_side) == 1:
        made.problems.append((f"{at}.{one_side[0]}", BOTH_SIDES))
    names = ("ruler_mm", *sides)
    if len(one_side) != 1 and any(getattr(part, name) != getattr(was, name) for name in names):
        scale = _ratio(part.ruler_mm, layout.ruler_mm)
        entry.pop("printed_scale", None)
        entry.pop("printed_scale_xy", None)
        if scale is not None and part.height_mm is not None and part.width_mm:
            entry["printed_scale_xy"] = [scale, round(scale * part.height_mm / part.width_mm, 8)]
        else:
            _set(entry, "printed_scale", scale)
    if part.u_ruler_mm != was.u_ruler_mm:
        _set(entry, "u_printed_scale", _ratio(part.u_ruler_mm, layout.ruler_mm))


def _numbers() -> str:
    """The numbers of plates that can be printed."""
    ranges = [(one.first_plate, one.first_plate + one.n_plates - 1) for one in load_layouts()]
    return " and ".join(f"{first} to {last}" for first, last in ranges)
