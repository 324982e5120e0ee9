"""`plumbsight plan`: whether a kit can prove a placement, before any photo is taken."""

import math
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path

import click
import numpy as np

from calib_data.layouts import load_layouts
from calib_data.photoset import Task, read_task
from tools.cli_measure import Progress
from tools.tables import CAUSES, N_CAUSES, WIDTH
from vision.advice import INCHES, LABELS, MILLIMETRES, Units
from vision.bay import Bay
from vision.errors import NotEnoughError
from vision.forecast import Station
from vision.kit import Placement
from vision.provable import Outlook, ValueOutlook, outlook

PROVABLE, NOT_PROVABLE = 0, 2
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


@click.command("plan")
@click.option(
    "--kit", type=click.Path(path_type=Path), required=True, metavar="FILE", help="The kit to be used."
)
@click.option(
    "--placement", type=click.Path(path_type=Path), required=True, metavar="FILE", help="What is required."
)
@click.option("--wheelbase", type=float, metavar="MM", help="The vehicle's wheelbase in millimetres.")
@click.option("--track", type=float, metavar="MM", help="Its track, front and rear, in millimetres.")
@click.option(
    "--photos", type=click.IntRange(3, 40), default=12, show_default=True, help="How many photos to take."
)
@click.option("--inches", is_flag=True, help="Show lengths in inches.")
def plan_command(
    kit: Path, placement: Path, wheelbase: float | None, track: float | None, photos: int, inches: bool
) -> int:
    """Say whether a kit can prove a placement at all, what limits it, and where to stand for the photos.

    Exit status: 0 it can be proved, 2 it cannot.
    """
    declared = {"wheelbase_mm": wheelbase, "track_front_mm": track, "track_rear_mm": track}
    task = read_task(kit, (placement,), declared)
    try:
        with Progress(sys.stderr.isatty()) as progress:
            expected = outlook(
                task.kit, task.placements[0], task.vehicle, load_layouts(), photos, progress=progress
            )
    except NotEnoughError as wrong:
        click.echo(f"This kit cannot measure this placement. {wrong}", err=True)
        return NOT_PROVABLE
    click.echo(plan_text(task, expected, INCHES if inches else MILLIMETRES))
    return PROVABLE if expected.can_be_proved else NOT_PROVABLE


def plan_text(task: Task, expected: Outlook, units: Units) -> str:
    """The whole answer in words and columns."""
    placement = task.placements[0]
    lines = [
        *_wrapped(f"{placement.name}, with the kit {task.kit.name} and {len(expected.stations)} photos"),
        "",
        *_wrapped(_verdict(placement, expected)),
        *_values(expected, units),
        *_limits(expected),
        *_betterments(expected, units),
        *_walk(expected, units),
    ]
    if task.warnings:
        lines += ["", "Warnings", *(line for says in task.warnings for line in _wrapped(says, "  "))]
    return "\n".join(line.rstrip() for line in lines)


def _verdict(placement: Placement, expected: Outlook) -> str:
    if not expected.values:
        return "NOTHING TO PROVE: the placement requires no value. Enter tolerances under values."
    lacking = [LABELS[key] for key, value in expected.values.items() if value.conforming is None]
    if lacking:
        return (
            f"CANNOT BE PROVED as things are: {_joined(lacking)}. Whatever the target's place, the result "
            "would be undecided or nonconforming."
        )
    narrow = [LABELS[key] for key, value in expected.values.items() if value.share_left < 0.3]
    if narrow:
        return (
            f"CAN BE PROVED, but barely: {_joined(narrow)} must come out close to the middle. Photos from "
            "other places than those below, or one that fails, may spoil it."
        )
    return "CAN BE PROVED, if the target stands where it should and the photos are taken as said below."


def _values(expected: Outlook, units: Units) -> Iterator[str]:
    if not expected.values:
        return
    yield ""
    yield f"  {'':<15}{'required':<20}{'expected u':>12}{'u must be':>14}   a result would conform"
    for key, value in expected.values.items():
        per, unit = (units.mm, units.name) if key.endswith("_mm") else (1.0, "deg")
        digits = units.decimals if key.endswith("_mm") else 2
        t = value.tolerance
        nominal, minus, plus = (f"{round(x / per, 3):.12g}" for x in (t.nominal, t.minus, t.plus))
        required = f"{nominal} \N{PLUS-MINUS SIGN} {plus}" if minus == plus else f"{nominal} -{minus} +{plus}"
        u = "not measured" if value.u is None else f"{value.u / per:.{digits + 1}f} {unit}"
        largest = f"< {value.largest_u / per:.{digits + 1}f} {unit}"
        conforms = "nowhere"
        if value.conforming is not None:
            low, high = (x / per for x in value.conforming)
            conforms = f"from {low:.{digits}f} to {high:.{digits}f} {unit}"
        yield f"  {LABELS[key]:<15}{required:<20}{u:>12}{largest:>14}   {conforms}"
        if value.says:
            yield from _wrapped(value.says, " " * 17)


def _limits(expected: Outlook) -> Iterator[str]:
    measured = {key: value for key, value in expected.values.items() if value.budget}
    if not measured:
        return
    yield ""
    yield "What limits it (shares of the variance)"
    for key, value in measured.items():
        yield f"  {LABELS[key]:<15}{_largest(value)}"


def _largest(value: ValueOutlook) -> str:
    causes = sorted(value.budget, key=lambda cause: -value.budget[cause])[:N_CAUSES]
    return ", ".join(f"{CAUSES.get(c, c.replace('_', ' '))} {100 * value.budget[c]:.0f} %" for c in causes)


def _betterments(expected: Outlook, units: Units) -> Iterator[str]:
    if expected.can_be_proved:
        return
    yield ""
    yield "What would better it (u of what cannot be proved; * can then be proved)"
    if not expected.betterments:
        yield from _wrapped("None of the usual remedies: see above what is missing.", "  ")
    for n, betterment in enumerate(expected.betterments, start=1):
        yield from _wrapped(betterment.says, "     ", f"  {n}. ")
        after = [
            f"{LABELS[key]} {units.uncertainty(key, betterment.u[key])}"
            f"{'*' if betterment.u[key] <= value.largest_u else ''}"
            for key, value in expected.values.items()
            if value.conforming is None and key in betterment.u
        ]
        everything = " Then the whole placement can be proved." if betterment.proves else ""
        yield from _wrapped(f"{', '.join(after)}.{everything}", "     ")


# --- where to stand -----------------------------------------------------------------------------------


def _walk(expected: Outlook, units: Units) -> Iterator[str]:
    yield ""
    yield from _wrapped(
        f"Where to take the {len(expected.stations)} photos, once around the vehicle (left, right, forward "
        "and rearward as the vehicle drives; a step off does no harm, a plate out of the picture does)"
    )
    for n, station in enumerate(expected.stations, start=1):
        yield from _wrapped(station_words(expected.bay, station, units), "      ", f"  {n:>2}. ")
    lying = [f.plate for f in expected.bay.kit.floor]
    lying += [p for bar in expected.bay.kit.scale_bars for p in bar.plates if p not in lying]
    lying = [p for p in lying if p in expected.bay.T_vehicle_plate]
    if lying:
        yield ""
        yield "Where this plan lays the plates on the floor"
        for p in lying:
            place = _place_words(expected.bay, expected.bay.T_vehicle_plate[p][:3, 3], units)
            yield from _wrapped(f"{place}.", "      ", f"  plate {p}: ")


def station_words(bay: Bay, station: Station, units: Units) -> str:
    """One photo in words: `Beside the rear left wheel, two steps out; phone held overhead, ...`."""
    T = station.T_vehicle_camera
    hold = next(words for height, words in HOLDS if T[2, 3] < height)
    look = T[:3, 2]
    turn = round(math.degrees(math.atan2(look[1], look[0])) / 45) % 8
    down = ", tilted well down" if look[2] < -0.5 else ""
    way = "on its side" if abs(T[2, 0]) < 0.5 else "upright"
    plates = ", ".join(str(p) for p in station.plates)
    return (
        f"{_place_words(bay, T[:3, 3], units)}; phone {hold} and {way}, looking {DIRECTIONS[turn]}{down}. "
        f"In the picture: plates {plates}."
    )


def _place_words(bay: Bay, at_mm: np.ndarray, units: Units) -> str:
    """Where that is, by the car's parts and in steps."""
    x, y = float(at_mm[0]), float(at_mm[1])
    (rear, low_y, _), (front, high_y, _) = bay.body[0]
    side = "left" if y > 0 else "right"
    if low_y < y < high_y and not rear < x < front and abs(y) < STEP_MM / 2:
        out_mm = x - front if x > front else rear - x
        where = "In front of" if x > front else "Behind"
        return f"{where} the vehicle, {_steps(out_mm, units)} from the bumper"
    fixture_x = float(bay.T_vehicle_fixture[0, 3])
    wheels = {wheel: float(bay.T_vehicle_plate[c.plate][0, 3]) for wheel, c in bay.kit.clamps.items()}
    beside = {f"Beside the {wheel.split('_')[0]} {side} wheel": place for wheel, place in wheels.items()}
    marks = {
        **beside,
        f"Beside the middle of the vehicle's {side} side": (min(wheels.values()) + max(wheels.values())) / 2,
        f"Level with the front bumper, on the {side}": front,
        f"Level with the rear bumper, on the {side}": rear,
        f"Level with the fixture, on the {side}": fixture_x,
    }
    if not rear < fixture_x < front:
        near = front if fixture_x > front else rear
        marks[f"Halfway between bumper and fixture, on the {side}"] = (fixture_x + near) / 2
    mark = min(marks, key=lambda words: abs(marks[words] - x))
    along = x - marks[mark]
    way = "forward" if along > 0 else "rearward"
    shift = f", {_steps(abs(along), units)} {way}" if abs(along) > STEP_MM / 3 else ""
    if rear < x < front:
        return f"{mark}{shift}, {_steps(abs(y) - high_y, units)} out from the vehicle's side"
    return f"{mark}{shift}, {_steps(abs(y), units)} from the vehicle's middle line"


def _steps(length_mm: float, units: Units) -> str:
    steps = round(length_mm / STEP_MM)
    words = COUNTS[steps] if 0 < steps < len(COUNTS) else "half a step" if steps < 1 else f"{steps} steps"
    exact = f"{length_mm / units.mm:.0f} in" if units is INCHES else f"{length_mm / 1000:.1f} m"
    return f"{words} ({exact})"


def _joined(words: list[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _wrapped(words: str, indent: str = "", first: str | None = None) -> list[str]:
    lead = indent if first is None else first
    return textwrap.wrap(words, WIDTH, initial_indent=lead, subsequent_indent=indent, break_on_hyphens=False)
