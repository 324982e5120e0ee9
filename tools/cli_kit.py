"""`plumbsight kit new`: a shop's first kit, and what it can prove before anything is bought."""

import os
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import get_args

import click

from calib_data.formats import KitFile, WheelName
from calib_data.photoset import write_json_atomically
from calib_data.starting import (
    DISTANCES_MM,
    MOST_FLOOR,
    N_PHOTOS,
    RULER_MM,
    U_PRINTED_SCALE,
    U_RULER_SCALE,
    Answers,
    Proves,
    starting_kit,
    what_it_proves,
)
from tools.cli import OutputError
from vision.advice import LABELS

WHEELS: tuple[WheelName, ...] = get_args(WheelName)


@click.group("kit")
def kit_group() -> None:
    """Begin a kit."""


@kit_group.command("new")
@click.option("--name", prompt="The kit's name, such as van 1")
@click.option(
    "--standoff", "standoffs", multiple=True, metavar="[WHEEL=]MM",
    help="From the wheel's centre out to the printed face; for one wheel (front_left=121) or for all.",
)  # fmt: skip
@click.option(
    "--fixture-plate", "fixture_plates", multiple=True, metavar="Y,Z",
    help="A plate's centre on the fixture, mm from its origin: to the vehicle's left, up.",
)  # fmt: skip
@click.option(
    "--target", metavar="X,Y,Z",
    help="The target's reference point, mm from the fixture's origin: away from the vehicle, left, up.",
)  # fmt: skip
@click.option(
    "--floor", type=click.IntRange(0, MOST_FLOOR), default=5, show_default=True, help="Floor plates."
)
@click.option("--board", type=float, default=3.0, show_default=True, metavar="MM", help="Sheet with board.")
@click.option(
    "--ruler", "rulers", multiple=True, metavar="PLATE=MM", help="The ruler printed on a sheet, as measured."
)
@click.option(
    "--rule-u", type=float, default=U_RULER_SCALE, show_default=True, metavar="SHARE",
    help="The rule that measured the sheets: 0.0003 good steel, 0.001 cheap steel or tape, 0.003 plastic.",
)  # fmt: skip
@click.option("--bar", type=float, metavar="MM", help="A bar with two plates: between their centres.")
@click.option("--out", type=click.Path(path_type=Path), default=Path("kit.json"), show_default=True)
def new_command(
    name: str,
    standoffs: tuple[str, ...],
    fixture_plates: tuple[str, ...],
    target: str | None,
    floor: int,
    board: float,
    rulers: tuple[str, ...],
    rule_u: float,
    bar: float | None,
    out: Path,
) -> int:
    """Write a first kit with honest starting uncertainties, and say what it can and cannot prove.

    What is not given is asked. The uncertainties are those of tape, cardboard and a steel rule: 1 mm and
    0.15 degrees. Measure better later, and revise the kit.
    """
    if out.exists():
        raise OutputError(f"{out} is there already. Name another file, or move it away.")
    if not os.access(out.parent, os.W_OK):
        raise OutputError(f"{out} cannot be written. Name a file in a folder where you may write.")
    answers = Answers(
        name=name,
        standoffs_mm=_standoffs(standoffs or _asked_standoffs()),
        fixture_plates_mm=[_two(pair) for pair in fixture_plates or _asked_fixture_plates()],
        target_mm=_three(target or _asked_target()),
        n_floor=floor,
        board_mm=board,
        rulers_mm=dict(_ruler(words) for words in rulers),
        bar_mm=bar,
        u_ruler_scale=rule_u,
    )
    if not rulers:
        answers = replace(answers, rulers_mm=_asked_rulers(answers.plates()))
    file = starting_kit(answers)
    write_json_atomically(out, file.model_dump(exclude_none=True))
    click.echo("\n".join(_what_next(answers, file, out)))
    click.echo("\n".join(table_of_proofs(answers)))
    return 0


def _what_next(answers: Answers, file: KitFile, out: Path) -> Iterator[str]:
    numbers = ",".join(map(str, answers.plates()))
    yield f"\n{out} is written. Print its sheets at 100 %: plumbsight print {numbers}"
    unmeasured = [number for number, plate in file.plates.items() if plate.printed_scale is None]
    if unmeasured:
        yield (
            f"Nobody has measured the rulers of sheets {', '.join(unmeasured)}: their scale counts as true\n"
            "to 3 %, which proves little. Measure each to 0.1 mm and enter printed_scale and\n"
            f"u_printed_scale ({U_PRINTED_SCALE})."
        )


def table_of_proofs(answers: Answers) -> Iterator[str]:
    """A table by distance: u of each value, and the tolerances that can be proved at all, and well."""
    yield f"\nWhat it can prove, every ruler measured, with {N_PHOTOS} photos from good places (computed;"
    yield "distances from the front axle, lateral from the centreline):"
    yield f"{'':<16}{'u':>8}   {'proves at best':>16}   {'proves easily':>16}"
    for distance_mm in DISTANCES_MM:
        yield f"target {distance_mm / 1000:.1f} m ahead"
        for one in what_it_proves(answers, distance_mm):
            yield _row(one)
    yield "A tolerance narrower than 'at best' can never conform with this kit; 'easily' leaves half free."


def _row(one: Proves) -> str:
    if one.u is None or one.at_best is None or one.easily is None:
        return f"  {LABELS[one.key]:<14}not measured: {one.says}"
    digits, unit = (2, "degrees") if one.key.endswith("_deg") else (1, "mm")
    at_best, easily = (f"\N{PLUS-MINUS SIGN}{t:.{digits}f} {unit}" for t in (one.at_best, one.easily))
    return f"  {LABELS[one.key]:<14}{one.u:8.{digits}f}   {at_best:>16}   {easily:>16}"


# --- answers ------------------------------------------------------------------------------------------


def _asked_standoffs() -> Sequence[str]:
    click.echo("From each wheel's centre out to the printed face, in mm; Enter where no plate hangs.")
    given = {
        wheel: click.prompt(f"  {wheel.replace('_', ' ')}", default="", show_default=False)
        for wheel in WHEELS
    }
    return [f"{wheel}={mm}" for wheel, mm in given.items() if mm.strip()]


def _asked_fixture_plates() -> Sequence[str]:
    click.echo("The fixture's origin is a point you choose, such as the middle between its two plates.")
    return [
        click.prompt(f"  centre of the {side} plate: mm to the vehicle's left, mm up", default=default)
        for side, default in (("left", "350,0"), ("right", "-350,0"))
    ]


def _asked_target() -> str:
    return click.prompt("  the target's reference point: mm away from the vehicle, left, up")


def _asked_rulers(plates: Sequence[int]) -> dict[int, float]:
    click.echo(
        f"The ruler printed on each sheet, as measured, in mm (nominal {RULER_MM:g}); Enter where not yet."
    )
    given = {n: click.prompt(f"  plate {n}", default="", show_default=False) for n in plates}
    return {n: _number(mm) for n, mm in given.items() if mm.strip()}


def _standoffs(words: Sequence[str]) -> dict[WheelName, float]:
    found: dict[WheelName, float] = {}
    for word in words:
        name, sign, mm = word.rpartition("=")
        if sign and name not in WHEELS:
            raise click.UsageError(f'"{name}" is no wheel. The wheels are {", ".join(WHEELS)}.')
        for wheel in WHEELS:
            if not sign or wheel == name:
                found[wheel] = _number(mm)
    return found


def _ruler(words: str) -> tuple[int, float]:
    number, sign, mm = words.partition("=")
    if not sign or not number.strip().isdecimal():
        raise click.UsageError(f'"{words}" does not say plate and length. Write e.g. 4=149.8.')
    return int(number), _number(mm)


def _two(words: str) -> tuple[float, float]:
    y, z = _numbers(words, 2)
    return y, z


def _three(words: str) -> tuple[float, float, float]:
    x, y, z = _numbers(words, 3)
    return x, y, z


def _numbers(words: str, n: int) -> list[float]:
    parts = words.replace(";", ",").split(",")
    if len(parts) != n:
        raise click.UsageError(
            f'"{words}" are not {n} numbers. Write e.g. {"350,0" if n == 2 else "12,0,-200"}.'
        )
    return [_number(part) for part in parts]


def _number(words: str) -> float:
    try:
        return float(words)
    except ValueError:
        raise click.UsageError(f'"{words.strip()}" is no number of millimetres.') from None
