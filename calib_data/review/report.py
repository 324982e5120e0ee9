"""A whole review: everything that is computed of the rounds, in words, tables and plots."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from calib_data.review.findings import Finding, find
from calib_data.review.gauge import gauge_table, notes
from calib_data.review.plots import as_svg, plots
from calib_data.review.rounds import Rounds, derived, everyday
from calib_data.review.tables import (
    chart_table,
    component_table,
    finding_table,
    kit_table,
)

# Beyond this many a person reads the table.
MOST_WORDS = 40


@dataclass(frozen=True, eq=False)
class Review:
    """What a review holds.

    Attributes:
        frame: The everyday rounds, which findings, components, charts and plots are made of.
        tables: By name; `rounds` has those of studies too.
    """

    frame: pd.DataFrame
    findings: tuple[Finding, ...]
    tables: dict[str, pd.DataFrame]


def review(measured: Rounds) -> Review:
    """Everything of it."""
    every = derived(measured.rounds)
    frame = everyday(every)
    findings = tuple(find(measured))
    tables = {
        "findings": finding_table(findings),
        "components": component_table(frame),
        "kits": kit_table(frame, measured.sheets),
        "charts": chart_table(frame),
        "study": gauge_table(measured.rounds),
        "rounds": every,
    }
    return Review(frame, findings, tables)


def write(done: Review, folder: Path) -> Iterator[Path]:
    """Write summary, tables (CSV and Parquet) and plots (SVG) into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "summary.txt"
    path.write_text("\n".join(in_words(done)) + "\n", encoding="utf-8")
    yield path
    for name, table in done.tables.items():
        if len(table):
            table.to_csv(folder / f"{name}.csv", index=False)
            table.to_parquet(folder / f"{name}.parquet", index=False)
            yield folder / f"{name}.csv"
    for name, figure in plots(done.frame, done.tables["components"]).items():
        path = folder / f"{name}.svg"
        path.write_text(as_svg(figure), encoding="utf-8")
        yield path


def in_words(done: Review) -> Iterator[str]:
    """The summary, a line each: what is off, likeliest first, then what repeats and what differs."""
    frame, found = done.frame, done.findings
    yield _counts(frame)
    yield from _left_out(len(done.tables["rounds"]) - len(frame))
    if not found:
        yield "Nothing stands out: no kit, phone, bay, vehicle model or round is off by more than chance."
    for i, one in enumerate(found[:MOST_WORDS], start=1):
        yield f"{i}. {one.says}{_chance(one)}"
        yield from (f"   Also: {words}" for words in one.also)
    if len(found) > MOST_WORDS:
        yield f"... and {len(found) - MOST_WORDS} more in the table of findings."
    yield from _study_words(done.tables["study"])
    yield from _component_words(done.tables["components"])
    yield (
        "Findings are held to one false alarm in twenty archives, all tests counted (Holm); a round's own "
        "failed "
        "tests are false in two rounds of a thousand. The charts are for looking: their rules alone speak "
        "in one "
        "round of some hundred."
    )


def _counts(frame: pd.DataFrame) -> str:
    n, measured = len(frame), int(frame["decision"].notna().sum())
    undecided = int((frame["decision"] == "undecided").sum())
    times = frame["taken"].dropna()
    when = f" from {times.min():%Y-%m-%d} to {times.max():%Y-%m-%d}" if len(times) else ""
    return f"{n} rounds{when}: {measured} could be measured, {undecided} of them are undecided."


def _left_out(n: int) -> Iterator[str]:
    """Of studies' rounds, that they count elsewhere."""
    if n:
        yield (
            f"{n} more rounds are of studies. They repeat the same set-ups, so they do not count as if each "
            "were another job: only their own failed tests and altered bytes are told, and what repeats."
        )


def _chance(one: Finding) -> str:
    return f" (chance: {one.p:.1g})" if one.effect else ""


SPREAD_WORDS = {
    "repeatability": "one person again",
    "between persons": "between persons",
    "between phones": "between phones",
    "between shops": "between shops",
    "intermediate": "another {of} of the shop",
    "reproducibility": "another shop",
}


def _study_words(table: pd.DataFrame) -> Iterator[str]:
    several = table["shop"].nunique() > 1
    for (study, shop, set_up, figure), rows in table.groupby(
        ["study", "shop", "set_up", "figure"], sort=False
    ):
        by = rows.set_index("spread")
        name, unit = str(figure).rsplit("_", 1)
        parts = [
            _spread_words(what, by.loc[spread], unit)
            for spread, what in SPREAD_WORDS.items()
            if spread in by.index
        ]
        where = (
            f"Study {study}".strip(),
            shop and several and f"shop {shop[:8]}",
            set_up and f"set-up {set_up}",
        )
        which = ", ".join(part for part in where if part)
        counts = f"{by['n'].iloc[0]} rounds, {by['persons'].iloc[0]} persons, {by['shops'].iloc[0]} shops"
        yield f"{which}, {name} (standard deviations; {counts}): {', '.join(parts)}."
    for _, rows in table.groupby(["study", "shop", "set_up"], sort=False):
        yield from (f"   {says}" for says in notes(rows))


def _spread_words(what: str, row: pd.Series, unit: str) -> str:
    first = row["of"].split(", ")[0]
    return f"{what.format(of=first)} {row['value']:.2g} {unit}{_range(row)}"


def _range(row: pd.Series) -> str:
    return "" if pd.isna(row["lower"]) else f" ({row['lower']:.2g} to {row['upper']:.2g})"


def _component_words(table: pd.DataFrame) -> Iterator[str]:
    for row in table[table["p"] < 0.001].itertuples() if len(table) else ():
        rest = table.loc[(table["figure"] == row.figure) & (table["factor"] == "rest"), "value"].iloc[0]
        yield (
            f"{row.figure.removeprefix('off_')} differs by {row.factor}: {row.value / rest:.1f} times what "
            f"is left "
            f"over (standard deviations, {row.lower / rest:.1f} to {row.upper / rest:.1f})."
        )
