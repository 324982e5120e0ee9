"""What changed between two revisions of a kit, in words: part, figure, old and new, as its form calls them.

What no form shows is told by its keys.
"""

import json
from collections.abc import Iterator, Mapping, Sequence, Set
from typing import Any

from pydantic import BaseModel

from api.figures import Figures
from api.pages.words import Words
from api.visits.kitform import BarPart, FixturePart, KitForm, MatPart, figures_of, shown

Json = Mapping[str, Any]
Told = dict[str, Any]  # a part's figures, by the names that the catalogue has words for

# What the form shows of a sheet by other names.
_SCALES = {"layout", "printed_scale", "printed_scale_xy", "u_printed_scale"}


def told(before: Json, after: Json, words: Words, figures: Figures) -> list[str]:
    """One line for each figure that changed, and for each part that was added or taken out."""
    old, new = dict(_parts(before, words)), dict(_parts(after, words))
    lines = []
    for part in [*old, *(part for part in new if part not in old)]:
        if part not in new:
            lines.append(words("changed.taken_out", part=part))
        elif part not in old:
            lines.append(words("changed.added", part=part, figures=_all_of(new[part], words, figures)))
        else:
            lines += _differences(part, old[part], new[part], words, figures)
    return lines


def _all_of(part: Told, words: Words, figures: Figures) -> str:
    known = (name for name, value in part.items() if value is not None)
    return "; ".join(f"{_name(name, words)} {_value(name, part, words, figures)}" for name in known)


def _differences(what: str, old: Told, new: Told, words: Words, figures: Figures) -> Iterator[str]:
    for name in [*old, *(name for name in new if name not in old)]:
        a, b = old.get(name), new.get(name)
        if a == b:
            continue
        shown_as = [_value(name, part, words, figures) for part in (old, new)]
        if shown_as[0] == shown_as[1]:  # less than this device shows
            shown_as = [_plain(value, words) for value in (a, b)]
        yield words("changed.figure", part=what, figure=_name(name, words), old=shown_as[0], new=shown_as[1])


def _name(name: str, words: Words) -> str:
    label = words.known("part", name)
    return label[0].lower() + label[1:]


def _value(name: str, part: Told, words: Words, figures: Figures) -> str:
    """A part's figure, with no more digits than its u in the same part deserves."""
    value = part.get(name)
    key = name.rsplit(".", 1)[0] if name[-2:] in (".x", ".y", ".z") else name
    if isinstance(value, int | float) and key.endswith(("_mm", "_deg")):
        u = part.get(f"u_{key.removeprefix('mat.')}", part.get("u_mm"))
        if key.startswith("u_"):
            figure = figures.given_u(key, value)
        else:
            figure = figures.deserved(key, value, u) if u else figures.given(key, value)
        return figures.with_unit(key, figure)
    if key == "rule_mm_per_m" and value is not None:
        return f"{figures.plain(value)} {words('unit.mm_per_m')}"
    return _plain(value, words)


def _plain(value: Any, words: Words) -> str:
    if value is None:
        return words("changed.nothing")
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


# --- a file's parts ---------------------------------------------------------------------------------


def _parts(file: Json, words: Words) -> Iterator[tuple[str, Told]]:
    """Each part of a kit by what people call it. Lists go by plate, so that a row more moves no other."""
    form = shown(file)
    yield (
        words("changed.kit"),
        {
            "name": form.name,
            "rule_mm_per_m": form.rule_mm_per_m,
            **_rest(file, {*KitForm.model_fields, "format", "u_ruler_scale"}),
        },
    )
    for name, wheel in form.wheels.items():
        yield words("changed.wheel", wheel=words.known("wheel", name)), _told(wheel, file["wheels"][name])
    for fixture in form.fixtures:
        if fixture is not None:
            yield from _fixture(fixture, file["fixtures"][fixture.name], words)
    for mat in form.mats:
        if mat is not None:
            yield from _mat(mat, file["mats"][mat.name], words)
    for part, entry in _rows(form.floor, file.get("floor", [])):
        yield words("changed.floor", plate=entry["plate"]), _told(part, entry)
    for part, entry in _rows(form.scale_bars, file.get("scale_bars", [])):
        assert isinstance(part, BarPart)
        yield words("changed.bar", one=part.one, other=part.other), _told(part, entry, {"plates"})
    for part, (name, entry) in _rows(form.datum_plates, list(file.get("datum_plates", {}).items())):
        yield words("changed.datum", name=name), _told(part, entry)
    for part, entry in _rows(form.levels, file.get("levels", [])):
        yield words("changed.level", plate=entry["plate"]), _told(part, entry)
    for part, (number, entry) in _rows(form.plates, list(file["plates"].items())):
        measured = {name: getattr(part, name) for name in ("ruler_mm", "u_ruler_mm", "height_mm", "width_mm")}
        yield words("changed.sheet", plate=number), measured | _told(part, entry, _SCALES)


def _fixture(fixture: FixturePart, entry: Json, words: Words) -> Iterator[tuple[str, Told]]:
    yield words("changed.fixture", name=fixture.name), _rest(entry, {"plates", "targets"})
    for part, mount in _rows(fixture.plates, entry["plates"]):
        yield words("changed.mount", name=fixture.name, plate=mount["plate"]), _told(part, mount)
    for part, (target, one) in _rows(fixture.targets, list(entry["targets"].items())):
        yield words("changed.target", name=fixture.name, target=target), _told(part, one, {"label"})
        if part.label is not None:
            yield words("changed.label", name=fixture.name, target=target), _told(part.label, one["label"])


def _mat(mat: MatPart, entry: Json, words: Words) -> Iterator[tuple[str, Told]]:
    """What lies in a mat's plane is told by the mat's own words: its x and y are not a fixture's."""
    yield words("changed.mat", name=mat.name), _told(mat, entry, {"plates", "targets"})
    for part, one in _rows(mat.plates, entry["plates"]):
        yield words("changed.on_mat", name=mat.name, plate=one["plate"]), _in_plane(_told(part, one))
    for part, (mark, one) in _rows(mat.targets, list(entry["targets"].items())):
        yield words("changed.mark", name=mat.name, mark=mark), _in_plane(_told(part, one))


def _in_plane(found: Told) -> Told:
    shown_as = {name: f"mat.{name}" for name in ("position_mm.x", "position_mm.y", "rotation_deg")}
    return {shown_as.get(name, name): value for name, value in found.items()}


def _rows(parts: Sequence[Any], entries: Sequence[Any]) -> Iterator[tuple[Any, Any]]:
    """A form's rows beside the file's entries that they show."""
    return zip(parts, entries, strict=True)


def _told(part: BaseModel, entry: Json, also_shown: Set[str] = frozenset()) -> Told:
    """A part's figures, and what else its entry holds."""
    names = figures_of(type(part))  # type: ignore[arg-type]
    found: Told = {}
    for name in names:
        value = getattr(part, name)
        if isinstance(value, BaseModel):
            found |= {f"{name}.{axis}": number for axis, number in value.model_dump().items()}
        else:
            found[name] = value
    return found | _rest(entry, {*names, *also_shown})


def _rest(entry: Json, known: Set[str]) -> Told:
    return {key: value for key, value in entry.items() if key not in known}
