"""`plumbsight print`: plate sheets as PDF."""

from pathlib import Path

import click

from calib_data.layouts import load_layouts
from calib_data.sheets import PAPERS_MM, plate_sheet_pdf
from tools.cli import OutputError
from vision.errors import LayoutError
from vision.layout import Layout


@click.command("print")
@click.argument("plates", metavar="PLATES")
@click.option("--paper", type=click.Choice(sorted(PAPERS_MM)), default="a4", show_default=True)
@click.option(
    "--layout", type=click.Choice([layout.name for layout in load_layouts()]),
    help="Refuse plates of another pattern. The numbers alone tell the pattern.",
)  # fmt: skip
@click.option(
    "--pdf", type=click.Path(path_type=Path), default=Path("plates.pdf"), show_default=True, metavar="FILE"
)
def print_command(plates: str, paper: str, layout: str | None, pdf: Path) -> int:
    """Make a PDF of plate sheets at true size, with the page that tells how to mount them.

    PLATES are the numbers to print, such as 0-3,10,11. Print at 100 %, not fitted to the page.
    """
    numbers = plate_numbers(plates)
    chosen = _layout_of(numbers, layout)
    try:
        data = plate_sheet_pdf(chosen, numbers, paper)
    except LayoutError as wrong:
        raise click.UsageError(str(wrong)) from wrong
    try:
        pdf.write_bytes(data)
    except OSError as wrong:
        raise OutputError(f"{pdf} was not written ({wrong.strerror}). Choose another place.") from wrong
    click.echo(
        f"{pdf}: {len(numbers)} sheets of {chosen.name} on {paper} and one page of instructions. "
        "Print at 100 %, then measure the ruler on each sheet and enter printed_scale in the kit."
    )
    return 0


def plate_numbers(words: str) -> list[int]:
    """`0-3,10` as [0, 1, 2, 3, 10]."""
    numbers: list[int] = []
    for part in words.replace(" ", "").split(","):
        first, dash, last = part.partition("-")
        if not (first.isdecimal() and (last.isdecimal() if dash else True) and len(part) < 16):
            raise click.UsageError(f'"{part}" is no plate number and no range. Write e.g. 0-3,10,11.')
        end = int(last) if dash else int(first)
        if not int(first) <= end < int(first) + 1000:
            raise click.UsageError(f'"{part}" is no range of plates. Write e.g. 0-3.')
        numbers += range(int(first), end + 1)
    return numbers


def _layout_of(numbers: list[int], name: str | None) -> Layout:
    layouts = [layout for layout in load_layouts() if name in (None, layout.name)]
    for layout in layouts:
        if layout.has_plate(numbers[0]):
            return layout
    ranges = ", ".join(
        f"{layout.name} has {layout.first_plate} to {layout.first_plate + layout.n_plates - 1}"
        for layout in layouts
    )
    raise click.UsageError(f"There is no plate {numbers[0]}: {ranges}.")
