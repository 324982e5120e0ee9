"""`plumbsight plan`: whether a kit can prove placements, before any photo is taken."""

import os
import sys
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import click

from calib_data.layouts import load_layouts
from calib_data.photoset import Task, has_photos, read_photos_of_plates, read_task
from tools.cli_camera import find_plates_of
from tools.cli_measure import Progress
from tools.tables import CAUSES, N_CAUSES, WIDTH, label_column
from vision.advice import INCHES, LABELS, MILLIMETRES, Units
from vision.bay import Bay
from vision.coach import Coaching, coach, fullest_view
from vision.errors import NotEnoughError
from vision.kit import Placement
from vision.provable import Outlook, ShiftOutlook, ValueOutlook, VisitOutlook, visit_outlook
from vision.sightings import FoundPhoto
from vision.where import (
    SHIFT_COUNTS,
    coaching_words,
    joined,
    label_words,
    outlook_words,
    place_words,
    station_words,
    subject_words,
    value_words,
)

PROVABLE, NOT_PROVABLE = 0, 2
HEADINGS = f"{label_column()}{'required':<20}{'expected u':>12}{'u must be':>14}   a result would conform"
LIMITS = "What limits it (shares of the variance)"


@click.command("plan")
@click.option(
    "--kit", type=click.Path(path_type=Path), required=True, metavar="FILE", help="The kit to be used."
)
@click.option(
    "--placement", type=click.Path(path_type=Path), required=True, multiple=True, metavar="FILE",
    help="What is required; once for each target of the round.",
)  # fmt: skip
@click.option(
    "--relation", type=click.Path(path_type=Path), multiple=True, metavar="FILE",
    help="What is required of two of these targets together.",
)  # fmt: skip
@click.option(
    "--shift", type=click.Path(path_type=Path), multiple=True, metavar="FILE",
    help="What is required from one round to the next; its two placements then stand in rounds of their own.",
)  # fmt: skip
@click.option("--wheelbase", type=float, metavar="MM", help="The vehicle's wheelbase in millimetres.")
@click.option("--track", type=float, metavar="MM", help="Its track, front and rear, in millimetres.")
@click.option(
    "--photos", type=click.IntRange(3, 40), default=12, show_default=True, help="How many photos to take."
)
@click.option(
    "--so-far", type=click.Path(path_type=Path), metavar="FOLDER",
    help="Photos taken so far: say whether they are enough, and which to take next.",
)  # fmt: skip
@click.option("--inches", is_flag=True, help="Show lengths in inches.")
def plan_command(
    kit: Path,
    placement: tuple[Path, ...],
    relation: tuple[Path, ...],
    shift: tuple[Path, ...],
    wheelbase: float | None,
    track: float | None,
    photos: int,
    so_far: Path | None,
    inches: bool,
) -> int:
    """Say whether a kit can prove a placement at all, what limits it, and where to stand for the photos.

    Several placements are those of one round: the same photos are to serve them all, and what is required
    of two of them together. With --shift there are rounds one after the other, each with its photos.

    With --so-far, say what the photos in that folder come to, and which photo to take next.

    Exit status: 0 it can be proved (or the photos are enough), 2 it cannot (or they are not).
    """
    declared = {"wheelbase_mm": wheelbase, "track_front_mm": track, "track_rear_mm": track}
    task = read_task(kit, placement, declared, relation, shift)
    if so_far is not None:
        return _coach(task, photos_so_far(so_far, kit), INCHES if inches else MILLIMETRES)
    try:
        with Progress(sys.stderr.isatty()) as progress:
            expected = visit_outlook(
                task.kit,
                task.placements,
                task.vehicle,
                load_layouts(),
                photos,
                progress,
                task.relations,
                task.shifts,
            )
    except NotEnoughError as wrong:
        click.echo(f"This kit cannot measure this placement. {wrong}", err=True)
        return NOT_PROVABLE
    click.echo(plan_text(task, expected, INCHES if inches else MILLIMETRES))
    return PROVABLE if expected.can_be_proved else NOT_PROVABLE


def photos_so_far(folder: Path, kit: Path) -> tuple[FoundPhoto, ...]:
    """What is found in a folder's photos, of which there may be none yet; what cannot be read is said."""
    if os.path.isdir(folder) and not has_photos(folder):
        return ()
    photo_set = read_photos_of_plates(folder, kit)
    found, remarks = find_plates_of(photo_set)
    for says in remarks:
        click.echo("\n".join(_wrapped(says)), err=True)
    return found


def _coach(task: Task, found: tuple[FoundPhoto, ...], units: Units) -> int:
    try:
        coaching = coach(
            found, task.kit, task.placements, task.vehicle, load_layouts(), relations=task.relations
        )
    except NotEnoughError as wrong:
        click.echo(f"This kit cannot measure this placement. {wrong}", err=True)
        return NOT_PROVABLE
    click.echo(coach_text(task, coaching, len(found), units))
    return PROVABLE if coaching.is_enough else NOT_PROVABLE


def plan_text(task: Task, expected: VisitOutlook, units: Units) -> str:
    """The whole answer in words and columns."""
    lines: list[str] = []
    for n, one in enumerate(expected.rounds, start=1):
        which = f"Round {n}: " if len(expected.rounds) > 1 else ""
        lines += ["", ""] if lines else []
        lines += _round(which, task.kit.name, one.outlook, units)
    for shift in expected.shifts:
        lines += ["", "", *_shift(task, shift, units)]
    if task.warnings:
        lines += ["", "Warnings", *(line for says in task.warnings for line in _wrapped(says, "  "))]
    return "\n".join(line.rstrip() for line in lines)


def _round(which: str, kit: str, expected: Outlook, units: Units) -> Iterator[str]:
    named = {value_words(expected.bay, key): value for key, value in expected.values.items()}
    yield from _wrapped(
        f"{which}{_names(expected.bay.placements)}, with the kit {kit} and {len(expected.stations)} photos"
    )
    yield ""
    yield from _wrapped(outlook_words(named, bool(expected.unshown_labels)))
    yield from _values(expected, units)
    yield from _limits(expected)
    yield from _betterments(expected, units)
    yield from _walk(expected, units)


def _shift(task: Task, expected: ShiftOutlook, units: Units) -> Iterator[str]:
    first, second = (task.placements[i].name for i in expected.shift.of)
    yield from _wrapped(f"{expected.shift.name}: from '{first}' to '{second}', a round later")
    yield ""
    labelled = {LABELS[key]: value for key, value in expected.values.items()}
    yield from _wrapped(outlook_words(labelled))
    yield from _wrapped(SHIFT_COUNTS)
    yield ""
    yield HEADINGS
    for key, value in expected.values.items():
        yield from _row(key, value, units)
    yield ""
    yield LIMITS
    for label, value in labelled.items():
        if value.budget:
            yield f"{label_column(label)}{_largest(value)}"


def _names(placements: Sequence[Placement]) -> str:
    return joined([p.name for p in placements])


def _named(bay: Bay, keys: Iterable[str]) -> Iterator[tuple[str, str, str]]:
    """Of each value its name, its own key and its label; before a placement's first, the placement's name.

    That line has no key. Of one placement there is none: it stands above all.
    """
    index = ""
    for name in keys:
        of, key = name.split(":")
        if of != index and len(bay.placements) > 1:
            yield "", "", subject_words(bay, name)
        index = of
        yield name, key, LABELS[key]


def _values(expected: Outlook, units: Units) -> Iterator[str]:
    if not expected.values:
        return
    yield ""
    yield HEADINGS
    for name, key, label in _named(expected.bay, expected.values):
        if not name:
            yield f"  {label}"
            continue
        yield from _row(key, expected.values[name], units)


def _row(key: str, value: ValueOutlook, units: Units) -> Iterator[str]:
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
    yield f"{label_column(LABELS[key])}{required:<20}{u:>12}{largest:>14}   {conforms}"
    if value.says:
        yield from _wrapped(value.says, label_column())


def _limits(expected: Outlook) -> Iterator[str]:
    measured = {key: value for key, value in expected.values.items() if value.budget}
    if not measured:
        return
    yield ""
    yield LIMITS
    for name, _, label in _named(expected.bay, measured):
        yield f"{label_column(label)}{_largest(measured[name])}" if name else f"  {label}"


def _largest(value: ValueOutlook) -> str:
    causes = sorted(value.budget, key=lambda cause: -value.budget[cause])[:N_CAUSES]
    return ", ".join(f"{CAUSES.get(c, c.replace('_', ' '))} {100 * value.budget[c]:.0f} %" for c in causes)


def _betterments(expected: Outlook, units: Units) -> Iterator[str]:
    if expected.values_can_be_proved:
        return
    yield ""
    yield "What would better it (u of what cannot be proved; * can then be proved)"
    if not expected.betterments:
        yield from _wrapped("None of the usual remedies: see above what is missing.", "  ")
    for n, betterment in enumerate(expected.betterments, start=1):
        yield from _wrapped(units.words(betterment.says), "     ", f"  {n}. ")
        after = [
            f"{value_words(expected.bay, key)} {units.uncertainty(key, betterment.u[key])}"
            f"{'*' if betterment.u[key] <= value.largest_u else ''}"
            for key, value in expected.values.items()
            if value.conforming is None and key in betterment.u
        ]
        everything = " Then the whole placement can be proved." if betterment.proves else ""
        yield from _wrapped(f"{', '.join(after)}.{everything}", "     ")


# --- while photos arrive --------------------------------------------------------------------------------


def coach_text(task: Task, coaching: Coaching, n_photos: int, units: Units) -> str:
    """What the photos so far come to, and the next one."""
    taken = f"{n_photos} photo{'s' if n_photos != 1 else ''} so far"
    lines = [
        *_wrapped(f"{_names(task.placements)}, with the kit {task.kit.name}: {taken}"),
        "",
        *_wrapped(coaching_words(coaching, units)),
        *_reached(coaching, units),
        *_hanging_together(coaching),
    ]
    if coaching.next is not None:
        asked = station_words(coaching.sofar.bay, coaching.next.station, units)
        lines += ["", "The next photo", *_wrapped(asked, "  ")]
    return "\n".join(line.rstrip() for line in lines)


def _reached(coaching: Coaching, units: Units) -> Iterator[str]:
    if not coaching.now.u or not coaching.needed:
        return
    then = coaching.next.then.u if coaching.next is not None else {}
    yield ""
    yield f"{label_column()}{'u reached':>15}{'enough at':>15}{'with the next':>16}"
    for name, _, label in _named(coaching.sofar.bay, coaching.needed):
        if not name:
            yield f"  {label}"
            continue
        us = (coaching.now.u.get(name), coaching.needed[name], then.get(name))
        shown = [units.uncertainty(name, x) if x is not None else "-" for x in us]
        yield f"{label_column(label)}{shown[0]:>15}{shown[1]:>15}{shown[2]:>16}"


def _hanging_together(coaching: Coaching) -> Iterator[str]:
    sofar = coaching.sofar
    for n, part in enumerate(sofar.parts):
        if n < 2:
            yield ""
            yield "What hangs together" if n == 0 else "Apart from them"
        names = ", ".join(sofar.shots[i].sighting.name for i in part.photos)
        yield from _wrapped(f"{names}: plates {', '.join(map(str, part.plates))}", "  ")


# --- where to stand -----------------------------------------------------------------------------------


def _walk(expected: Outlook, units: Units) -> Iterator[str]:
    yield ""
    yield from _wrapped(
        f"Where to take the {len(expected.stations)} photos, once around the vehicle (left, right, forward "
        "and rearward as the vehicle drives; a step off does no harm, a plate out of the picture does)"
    )
    for n, station in enumerate(expected.stations, start=1):
        yield from _wrapped(station_words(expected.bay, station, units), "      ", f"  {n:>2}. ")
    for says in label_words(expected.bay, expected.stations):
        yield from _wrapped(says)
    first = expected.stations.index(fullest_view(expected.bay, expected.stations)) + 1
    yield from _wrapped(
        f"Begin with number {first}, and when all are taken repeat it, touching nothing between: that shows "
        "whether something moved."
    )
    lying = [f.plate for f in expected.bay.kit.floor]
    lying += [p for bar in expected.bay.kit.scale_bars for p in bar.plates if p not in lying]
    lying = [p for p in lying if p in expected.bay.T_vehicle_plate]
    if lying:
        yield ""
        yield "Where this plan lays the plates on the floor"
        for p in lying:
            place = place_words(expected.bay, expected.bay.T_vehicle_plate[p][:3, 3], units)
            yield from _wrapped(f"{place}.", "      ", f"  plate {p}: ")
    levels = [one for one in expected.bay.kit.levels if one.plate in expected.bay.T_vehicle_plate]
    if levels:
        yield ""
        yield "Where this plan has the plates that show the plumb line"
        for one in levels:
            point_mm = expected.bay.T_vehicle_plate[one.plate][:3, 3]
            how = "hangs free" if one.axis == "y" else "lies levelled"
            words = f"{place_words(expected.bay, point_mm, units)}; {how}, {units.length(point_mm[2])} up."
            yield from _wrapped(words, "      ", f"  plate {one.plate}: ")


def _wrapped(words: str, indent: str = "", first: str | None = None) -> list[str]:
    lead = indent if first is None else first
    return textwrap.wrap(words, WIDTH, initial_indent=lead, subsequent_indent=indent, break_on_hyphens=False)
