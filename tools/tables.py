"""A result (calib_data.result) -> the text that a technician reads, 96 columns wide.

Made from the result's own JSON, so that a stored result reads the same as a fresh one. Values carry two
significant digits of their u (JCGM 100, 7.2.6).
"""

import math
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from vision.advice import LABELS, Units
from vision.other_moves import origin_words

WIDTH = 96
LABEL_WIDTH = 15  # of a row's first column
N_CAUSES = 3  # of the budget; nobody betters more than that at once

Json = Mapping[str, Any]


DECISIONS = {
    "conforming": "CONFORMING",
    "nonconforming": "NONCONFORMING",
    "undecided": "UNDECIDED",
    "none": "MEASURED, NOTHING REQUIRED",
}
DATUMS = {"front_axle": "the front axle", "rear_axle": "the rear axle"}
LINES = {"centreline": "the centreline", "thrust_line": "the thrust line"}
CAUSES = {
    "image": "photos",
    "lens": "lens",
    "refocus": "refocusing",
    "read_out": "phone movement",
    "print_scale": "print scale",
    "unchecked_sheets": "scale of plates not shown",
    "flatness": "plate flatness",
    "clamps": "wheel clamps",
    "fixture": "fixture as measured",
    "floor": "floor flatness",
    "scale_bars": "scale bars",
    "levels": "level plates",
    "declared": "declared lengths",
    "kit": "kit, unlike in both rounds",
}


def _unit(key: str, units: Units) -> tuple[float, str]:
    """What a value is divided by, and its unit's name; angles are in degrees always."""
    return (1.0, "deg") if key.endswith("_deg") else (units.mm, units.name)


def result_table(result: Json, units: Units) -> str:
    """The whole result in words and columns."""
    lines = [
        *_head(result),
        *_placements(result, units),
        *_relations(result, units),
        *_tests(result, units),
        *_facts(result, units),
        *_budgets(result),
        *_photos(result, units),
        *_last_words(result, units),
    ]
    return "\n".join(line.rstrip() for line in lines)


def shift_table(decided: Json, units: Units) -> str:
    """The decision on the difference between two rounds, in words and columns."""
    lines = [f"{decided['name']}: {DECISIONS[decided['decision']].lower()}"]
    lines += _wrapped(f"'{decided['to']}' in the second round minus '{decided['from']}' in the first.", "  ")
    lines += ["", *_values(decided, units)]
    for says in decided["says"] if decided["decision"] != "nonconforming" else ():
        lines += _wrapped(units.words(says), "  ")
    return "\n".join(line.rstrip() for line in (*lines, *_advice(decided, units)))


def _head(result: Json) -> Iterator[str]:
    photos = result["photos"]
    used = sum(photo["used"] for photo in photos)
    about = result["set"]
    names = [about["title"], about["vehicle"], f"kit: {about['kit']}" if about["kit"] else ""]
    yield from _wrapped(", ".join([*filter(None, names), f"{used} of {len(photos)} photos used"]), "")
    yield ""
    yield f"RESULT: {DECISIONS[result['decision']]}"


# --- placements -----------------------------------------------------------------------------------


def _placements(result: Json, units: Units) -> Iterator[str]:
    for i, now in enumerate(result["placements"]):
        yield ""
        yield f"{now['name']}: {DECISIONS[now['decision']].lower()}"
        yield from _wrapped(units.words(_counted_from(now)), "  ")
        yield ""
        if result["states"]:
            yield from _states(result["states"], i, units)
        else:
            yield from _values(now, units)
            # Of a placement that is out, the joint risk tells nothing more.
            for says in now["says"] if now["decision"] != "nonconforming" else ():
                yield from _wrapped(units.words(says), "  ")
        yield from _advice(now, units)
    if not result["placements"]:
        yield ""
        yield from _wrapped("No placement was named: see the vehicle below.", "")


def _relations(result: Json, units: Units) -> Iterator[str]:
    for i, now in enumerate(result.get("relations", ())):
        yield ""
        yield f"{now['name']}: {DECISIONS[now['decision']].lower()}"
        yield from _wrapped(f"'{now['of'][0]}' against '{now['of'][1]}', from their joint uncertainty.", "  ")
        yield ""
        if result["states"]:
            yield from _states(result["states"], i, units, "relations")
        else:
            yield from _values(now, units)
            for says in now["says"] if now["decision"] != "nonconforming" else ():
                yield from _wrapped(units.words(says), "  ")
        yield from _advice(now, units)


def _states(states: Sequence[Json], i: int, units: Units, of: str = "placements") -> Iterator[str]:
    yield from _wrapped("Something moved between the photos, so there is no one answer but two:", "  ")
    for state in states:
        yield ""
        yield f"  {state['says'][0].upper()}{state['says'][1:]}"
        yield from _values(state[of][i], units)


def _counted_from(placement: Json) -> str:
    datum = DATUMS.get(placement["datum"], f"the datum plate {placement['datum']}")
    line = LINES[placement["reference_line"]]
    words = (
        f"Target {placement['target']} on fixture {placement['fixture']}; distance counts from {datum} "
        f"along {line}, lateral offset from that line (left positive), height from the floor."
    )
    if "facing_deg" in placement:
        words += f" Yaw or heading counts from {placement['facing_deg']:g} degrees."
    if "origin" in placement:
        words += f" {_origin(placement['origin'])}"
    return words


def _origin(origin: Json) -> str:
    x_mm, y_mm = origin["offset_mm"]
    beside = f" and on by {x_mm:g} mm forward, {y_mm:g} mm to the left" if x_mm or y_mm else ""
    axis = f" turned by {origin['axis_deg']:g} degrees" if origin["axis_deg"] else ""
    return f"Range and bearing count from {origin_words(origin['at'])}{beside}, from forward{axis}."


def _values(placement: Json, units: Units) -> Iterator[str]:
    yield f"{label_column()}{'measured':>12}      {'u':>7}   {'95 % interval':<22}{'required':<19}decision"
    for key, entry in placement["values"].items():
        yield from _value(key, entry, units)


def label_column(label: str = "") -> str:
    """A row's first column; a label that is too long for it stands on a line of its own."""
    return f"  {label:<{LABEL_WIDTH}}" if len(label) < LABEL_WIDTH else f"  {label}\n{label_column()}"


def _value(key: str, entry: Json, units: Units) -> Iterator[str]:
    per, unit = _unit(key, units)
    name, decision = _value_name(key), entry.get("decision", "")
    if entry["value"] is None:
        yield f"{label_column(name)}{'not measured':>12} {'':<38}{_required(entry, per):<19}{decision}"
        yield from _wrapped(units.words(entry["says"]), label_column())
        return
    value, u, low, high = _figures(entry, per)
    measured, interval = f"{value:>12} {unit:<4} {u:>7}", f"{low} to {high}"
    yield f"{label_column(name)}{measured}   {interval:<22}{_required(entry, per):<19}{decision}"


def _value_name(key: str) -> str:
    return LABELS.get(key, key.rsplit("_", 1)[0].replace("_", " "))


def _required(entry: Json, per: float) -> str:
    if "nominal" not in entry:
        return ""
    nominal, minus, plus = (f"{round(entry[key] / per, 3):.12g}" for key in ("nominal", "minus", "plus"))
    return f"{nominal} \N{PLUS-MINUS SIGN} {plus}" if minus == plus else f"{nominal} -{minus} +{plus}"


def _figures(entry: Json, per: float) -> tuple[str, str, str, str]:
    """Value, u and both ends of the interval, with two significant digits of u."""
    u = entry["u"] / per
    decimals = max(0, 1 - math.floor(math.log10(u)))
    value, low, high = (number / per for number in (entry["value"], *entry["interval95"]))
    return f"{value:.{decimals}f}", f"{u:.{decimals}f}", f"{low:.{decimals}f}", f"{high:.{decimals}f}"


def _advice(placement: Json, units: Units) -> Iterator[str]:
    if not placement["advice"]:
        return
    yield ""
    yield "  What to do"
    for n, words in enumerate(placement["advice"], start=1):
        yield from _wrapped(units.words(words), "  ", f"  {n}. ")


# --- tests, facts, budget ---------------------------------------------------------------------------


def _tests(result: Json, units: Units) -> Iterator[str]:
    failed = [test for test in result["tests"] if not test["ok"]]
    yield ""
    yield f"Do photos, kit and vehicle agree? {_test_count(result['tests'], failed)}"
    if failed:
        first, advice = failed[0], [words for p in result["placements"] for words in p["advice"]]
        is_said = any(first["says"] in words for words in advice)
        says = "see What to do" if is_said else units.words(first["says"])
        yield from _wrapped(f"{first['name']}: {says}", "  ")
    if len(failed) > 1:
        others = ", ".join(test["name"] for test in failed[1:])
        yield from _wrapped(f"Failed too, perhaps only as a consequence: {others}.", "  ")


def _test_count(tests: list[Json], failed: list[Json]) -> str:
    if not failed:
        return f"Yes: all {len(tests)} tests passed."
    return f"NO: {len(failed)} of {len(tests)} tests failed. What most likely happened:"


def _facts(result: Json, units: Units) -> Iterator[str]:
    yield ""
    yield "The vehicle as measured (u in brackets; toe-in positive, steer and thrust angle left positive)"
    cells = [_fact(key, entry, units) for key, entry in result["vehicle"].items()]
    for left, right in zip(cells[::2], [*cells[1::2], ""], strict=False):
        yield f"  {left:<48}{right}"


def _fact(key: str, entry: Json, units: Units) -> str:
    per, unit = _unit(key, units)
    value, u, _, _ = _figures(entry, per)
    return f"{_value_name(key):<25}{value:>9} {unit} ({u})"


def _budgets(result: Json) -> Iterator[str]:
    everything = [*result["placements"], *result.get("relations", ())]
    several = len(everything) > 1
    for placement in everything:
        if not placement["budget"]:
            continue
        yield ""
        whose = f": {placement['name']}" if several else ""
        yield f"Where u comes from (largest shares of the variance){whose}"
        for key, shares in placement["budget"].items():
            largest = sorted(shares, key=lambda cause: -shares[cause])[:N_CAUSES]
            words = [f"{CAUSES.get(cause, cause)} {100 * shares[cause]:.0f} %" for cause in largest]
            yield f"{label_column(_value_name(key))}{', '.join(words)}"


# --- photos, and what is not said -------------------------------------------------------------------


def _photos(result: Json, units: Units) -> Iterator[str]:
    unused = [photo for photo in result["photos"] if not photo["used"]]
    if unused:
        yield ""
        yield "Photos not used"
        for photo in unused:
            says = units.words(photo["says"].removeprefix(f"{photo['file']}: "))
            yield from _wrapped(f"{photo['file']}: {says}", "  ")
    remarks = [*_plate_remarks(result["photos"]), *_photo_remarks(result["photos"])]
    if remarks:
        yield ""
        yield "Remarks on photos used"
        for remark in remarks:
            yield from _wrapped(units.words(remark), "  ")


def _plate_remarks(photos: Sequence[Json]) -> Iterator[str]:
    """Sharpness and exposure: each remark once, with the plates and photos that it is about."""
    about: dict[str, list[str]] = {}
    for photo in photos:
        plates: dict[str, list[str]] = {}
        for remark in photo.get("remarks", ()):
            plates.setdefault(remark["says"], []).append(str(remark["plate"]))
        for says, numbers in plates.items():
            about.setdefault(says, []).append(f"{', '.join(numbers)} in {photo['file']}")
    for says, places in about.items():
        yield f"{says[0].upper()}{says[1:]}: plate {'; '.join(places)}."


def _photo_remarks(photos: Sequence[Json]) -> Iterator[str]:
    """What else is said of a photo that was used."""
    for photo in photos:
        if photo["used"] and photo["says"]:
            yield f"{photo['file']}: {photo['says']}"


def _last_words(result: Json, units: Units) -> Iterator[str]:
    if result["warnings"]:
        yield ""
        yield "Warnings"
        for warning in result["warnings"]:
            yield from _wrapped(units.words(warning), "  ")
    yield ""
    yield "Not checked here"
    for what in result["not_checked"]:
        yield from _wrapped(units.words(what), "  ", "  - ")
    yield ""
    yield from _wrapped(result["caution"], "")


def _wrapped(words: str, indent: str, first: str | None = None) -> list[str]:
    """Lines of at most WIDTH columns; those after the first hang under its text."""
    lead = indent if first is None else first
    hang = " " * len(lead) if first is not None or not indent else f"{indent}  "
    return textwrap.wrap(
        words,
        WIDTH,
        initial_indent=lead,
        subsequent_indent=hang,
        break_long_words=False,
        break_on_hyphens=False,
    )
