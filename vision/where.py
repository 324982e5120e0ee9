"""In the technician's words: why a photo, where to stand, how to hold the phone, what must be in view."""

import math
from collections.abc import Iterator, Mapping, Sequence

from numpy.typing import NDArray

from vision.advice import CAUSES, INCHES, LABELS, MILLIMETRES, Units
from vision.bay import Bay
from vision.coach import Coaching
from vision.decide import acceptance_limits
from vision.forecast import Station
from vision.kit import WHEELS, Tolerance
from vision.labels import ASKED, NOT_THERE, unshown_words
from vision.provable import ValueOutlook

STEP_MM = 750.0  # of a walking person; common practice, no source
# Where the phone is held, by its height in mm.
HOLDS = ((800.0, "at knee height"), (1550.0, "at chest height"), (math.inf, "held overhead"))
COUNTS = ("no step", "one step", "two steps", "three steps", "four steps", "five steps")
DIRECTIONS = (
    "forward",
    "forward and to the left",
    "to the left",
    "rearward and to the left",
    "rearward",
    "rearward and to the right",
    "to the right",
    "forward and to the right",
)


def coaching_words(coaching: Coaching, units: Units = MILLIMETRES) -> str:
    """Whether it is enough, what the next photo is for, and where kit or target are the limit."""
    return " ".join([_stage(coaching), *_unshown_labels(coaching), *limit_words(coaching, units)])


def _stage(coaching: Coaching) -> str:
    ask, now = coaching.next, coaching.now
    if ask is None and coaching.is_enough:
        return (
            "ENOUGH: every required value is sure enough, and the closing photo lets a move show. Whether "
            "the target stands right, measuring tells."
        )
    if ask is None and not coaching.lacking:
        return "NO MORE PHOTOS: every required value is sure enough, but a target's label is not seen."
    if ask is None:
        return "NO MORE PHOTOS: close the round, for these show what any photos can show with this kit."
    if ask.reason == "first":
        return "BEGIN with vehicle and fixture in one picture, and touch nothing from then on."
    sure = "what photos can give is reached" if coaching.lacking else "every required value is sure enough"
    if ask.reason == "label":
        return f"ALMOST: {sure}. One thing is unchecked."
    if ask.reason == "closing":
        return (
            f"ALMOST: {sure}. To let a move of vehicle or fixture show, touch nothing and take one more "
            f"photo from where {ask.repeats} was taken, of the same plates."
        )
    if ask.reason == "join":
        return "NOT YET: these photos do not hang together. One that shows plates of both parts joins them."
    if not now.u:
        return f"NOT YET: too little to measure from. {now.missing}"
    lacking = [value_words(coaching.sofar.bay, key) for key in coaching.lacking]
    yet = f"NOT YET: {joined(lacking)} not sure enough." if lacking else "ALMOST: one thing is unchecked."
    if ask.reason == "sheets":
        plates = _numbered(list(now.unchecked_sheets))
        return f"{yet} Nothing checks the printed scale of {plates} so far: a photo from another side does."
    return f"{yet} The next photo betters it most."


def _unshown_labels(coaching: Coaching) -> Iterator[str]:
    """Of labels that no photo shows: those that should be seen at once, the others when it is their turn."""
    ask, bay = coaching.next, coaching.sofar.bay
    for plate in coaching.unshown_labels:
        name = bay.labels[plate].target.name
        if plate in coaching.absent_labels:
            yield (
                f"Photos should show the label of the target '{name}' (plate {plate}), and none does. "
                f"{NOT_THERE} Look at it: without it nothing conforms."
            )
        elif ask is not None and ask.reason == "label" and plate in ask.station.plates:
            yield f"{unshown_words(name, plate)} {ASKED}"
        elif ask is None or ask.reason == "closing":
            yield f"{unshown_words(name, plate)} From nowhere around is it seen: without it nothing conforms."


def label_words(bay: Bay, stations: Sequence[Station]) -> Iterator[str]:
    """Of each label that a photo must show, which of these photos do, counted from 1."""
    for plate, label in bay.labels.items():
        what = f"the label of the target '{label.target.name}' (plate {plate})"
        photos = [str(n) for n, station in enumerate(stations, start=1) if plate in station.plates]
        if photos:
            yield (
                f"{what[0].upper()}{what[1:]} must be in one photo at least: it shows that this is the right "
                f"target, the right way up. Photo{'s' if len(photos) > 1 else ''} {joined(photos)} should "
                "show it."
            )
        else:
            yield (
                f"None of these photos would show {what}, and without it nothing conforms. Stick it where "
                "nothing hides it from in front of the target, or print it larger, and enter where it sits."
            )


def limit_words(coaching: Coaching, units: Units = MILLIMETRES) -> Iterator[str]:
    """What no photos make sure enough with this kit, what that means, and what would better it."""
    for key in coaching.limited:
        name, least = value_words(coaching.sofar.bay, key), coaching.least[key]
        if math.isinf(least):
            yield f"The kit is the limit: it does not measure {name} at all, so that stays undecided."
            continue
        needed = units.uncertainty(key, coaching.needed[key])
        yield (
            f"The kit is the limit for {name}: at best u is {units.uncertainty(key, least)}, and {needed} "
            f"would be enough. {_outcome(coaching.sofar.bay.required[key], key, least, units)}"
        )
        budget = coaching.now.budget.get(key, {})
        if cause := max((c for c in budget if c in CAUSES), key=lambda c: budget[c], default=""):
            noun, remedy = CAUSES[cause]
            yield f"Most of it comes from {noun} ({100 * budget[cause]:.0f} % of the variance): {remedy}."


def _outcome(tolerance: Tolerance, key: str, u: float, units: Units) -> str:
    """What can still come out with this u."""
    within = acceptance_limits(u, tolerance)
    if within is None:
        return "So it cannot be shown to conform: the result will be undecided or nonconforming."
    half = (within[1] - within[0]) / 2
    words = units.length(half) if key.endswith("_mm") else f"{half:.2f} degrees"
    return f"It conforms only if it is found within {words} of the middle of its tolerance, else undecided."


def value_words(bay: Bay, key: str) -> str:
    """A value's name; where several placements are checked, with the placement's or the relation's."""
    label = LABELS[key.split(":")[1]]
    return label if len(bay.placements) == 1 else f"{label} of {subject_words(bay, key)}"


def subject_words(bay: Bay, key: str) -> str:
    """The name of the placement, or of the relation, that a value is of."""
    index = key.split(":")[0]
    return bay.relations[int(index[1:])].name if index.startswith("r") else bay.placements[int(index)].name


def outlook_words(values: Mapping[str, ValueOutlook], is_label_unshown: bool = False) -> str:
    """Whether it can be proved, before any photo.

    Args:
        values: By what a person calls each.
        is_label_unshown: A target's label would be in no photo (`label_words` says which).
    """
    if not values:
        return "NOTHING TO PROVE: the placement requires no value. Enter tolerances under values."
    lacking = [name for name, value in values.items() if value.conforming is None]
    if lacking:
        return (
            f"CANNOT BE PROVED as things are: {joined(lacking)}. Whatever the target's place, the result "
            "would be undecided or nonconforming."
        )
    if is_label_unshown:
        return "CANNOT BE PROVED as things are: every value could be, but no photo shows a target's label."
    narrow = [name for name, value in values.items() if value.share_left < 0.3]
    if narrow:
        return (
            f"CAN BE PROVED, but barely: {joined(narrow)} must come out close to the middle. Photos from "
            "other places than those said, or one that fails, may spoil it."
        )
    return "CAN BE PROVED, if the target stands where it should and photos are taken from the places said."


SHIFT_COUNTS = (
    "This is of the change from one round to the next, each with its own photos: what plates, clamps and "
    "fixture are off by in both alike takes no part. Not forecast is whether vehicle, clamps and floor "
    "plates stay as they are between the rounds, nor what would better it."
)


def station_words(bay: Bay, station: Station, units: Units) -> str:
    """One photo in words: `Beside the rear left wheel, two steps out; phone held overhead, ...`."""
    return f"{stand_words(bay, station, units)} In the picture: {picture_words(bay, station.plates)}."


def stand_words(bay: Bay, station: Station, units: Units) -> str:
    """Where to stand and how to hold the phone, in one sentence."""
    T = station.T_vehicle_camera
    hold = next(words for height, words in HOLDS if T[2, 3] < height)
    look = T[:3, 2]
    turn = round(math.degrees(math.atan2(look[1], look[0])) / 45) % 8
    down = ", tilted well down" if look[2] < -0.5 else ""
    way = "on its side" if abs(T[2, 0]) < 0.5 else "upright"
    return f"{place_words(bay, T[:3, 3], units)}; phone {hold} and {way}, looking {DIRECTIONS[turn]}{down}."


def place_words(bay: Bay, at_mm: NDArray, units: Units) -> str:
    """Where that is, by the car's parts and in steps."""
    x, y = float(at_mm[0]), float(at_mm[1])
    (rear, low_y, _), (front, high_y, _) = bay.body[0]
    side = "left" if y > 0 else "right"
    if low_y < y < high_y and not rear < x < front and abs(y) < STEP_MM / 2:
        out_mm = x - front if x > front else rear - x
        where = "In front of" if x > front else "Behind"
        return f"{where} the vehicle, {_steps(out_mm, units)} from the bumper"
    fixtures = {_fixture_words(bay, name): float(T[0, 3]) for name, T in bay.T_vehicle_fixture.items()}
    wheels = {wheel: float(bay.T_vehicle_plate[c.plate][0, 3]) for wheel, c in bay.kit.clamps.items()}
    beside = {f"Beside the {wheel.split('_')[0]} {side} wheel": place for wheel, place in wheels.items()}
    marks = {
        **beside,
        f"Beside the middle of the vehicle's {side} side": (min(wheels.values()) + max(wheels.values())) / 2,
        f"Level with the front bumper, on the {side}": front,
        f"Level with the rear bumper, on the {side}": rear,
        **{f"Level with {words}, on the {side}": fixture_x for words, fixture_x in fixtures.items()},
    }
    for words, fixture_x in fixtures.items():
        if not rear < fixture_x < front:
            near = front if fixture_x > front else rear
            between = f"Halfway between bumper and {words.removeprefix('the ')}, on the {side}"
            marks[between] = (fixture_x + near) / 2
    mark = min(marks, key=lambda words: abs(marks[words] - x))
    along = x - marks[mark]
    way = "forward" if along > 0 else "rearward"
    shift = f", {_steps(abs(along), units)} {way}" if abs(along) > STEP_MM / 3 else ""
    if rear < x < front:
        return f"{mark}{shift}, {_steps(abs(y) - high_y, units)} out from the vehicle's side"
    return f"{mark}{shift}, {_steps(abs(y), units)} from the vehicle's middle line"


def _fixture_words(bay: Bay, name: str) -> str:
    """What a fixture is called: by its name only where there are several."""
    if len(bay.kit.fixtures) == 1:
        return "the fixture"
    is_mat = next(f.is_mat for f in bay.kit.fixtures if f.name == name)
    return f"the mat '{name}'" if is_mat else f"the fixture '{name}'"


def _steps(length_mm: float, units: Units) -> str:
    steps = round(length_mm / STEP_MM)
    words = COUNTS[steps] if 0 < steps < len(COUNTS) else "half a step" if steps < 1 else f"{steps} steps"
    exact = f"{length_mm / units.mm:.0f} in" if units is INCHES else f"{length_mm / 1000:.1f} m"
    return f"{words} ({exact})"


def picture_words(bay: Bay, plates: tuple[int, ...]) -> str:
    """What these plates are on: `rear left and front left wheel, fixture, floor plates 22 and 25`."""
    kit = bay.kit
    hung = {kit.clamps[w].plate: w.replace("_", " ") for w in reversed(WHEELS) if w in kit.clamps}
    wheels = [name for plate, name in hung.items() if plate in plates]
    words = [f"{joined(wheels)} wheel{'s' if len(wheels) > 1 else ''}"] if wheels else []
    for fixture in kit.fixtures:
        mounts = [m.plate for m in fixture.mounts if m.plate in plates]
        if mounts:
            part = "" if len(mounts) == len(fixture.mounts) else f" ({_numbered(mounts)})"
            words.append(f"{_fixture_words(bay, fixture.name)}{part}")
    mounted = {m.plate for f in kit.fixtures for m in f.mounts}
    rest = [p for p in plates if p not in hung and p not in mounted]
    of = {d.plate: f"plate {d.plate} at {d.name}" for d in kit.datum_plates}
    of |= {p: f"the label of '{one.target.name}' (plate {p})" for p, one in bay.labels.items()}
    how = {"y": "hangs free", "z": "lies levelled"}
    of |= {one.plate: f"the plate that {how[one.axis]} (plate {one.plate})" for one in kit.levels}
    words += [of[p] for p in rest if p in of]
    others = [p for p in rest if p not in of]
    return ", ".join([*words, *([_numbered(others)] if others else [])])


def _numbered(plates: list[int]) -> str:
    return f"plate{'s' if len(plates) > 1 else ''} {joined([str(p) for p in plates])}"


def joined(words: list[str]) -> str:
    """`a, b and c`."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
