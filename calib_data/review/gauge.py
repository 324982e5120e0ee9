"""What a study says: how far rounds of a set-up repeat, and how far people and shops differ, with bounds.

Terms of ISO 5725: *repeatability*, the same person at once; *intermediate* precision, another person in the
shop; *reproducibility*, another shop. What several shops measured is told set-up by set-up, as ISO 5725-2 has
it level by level; what one shop measured, over all its set-ups.
"""

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from calib_data.review.anova import Spread, crossed, nested, one_way, repeats
from calib_data.review.components import reml
from calib_data.review.rounds import value_keys
from calib_data.review.tables import bounds

COLUMNS = [
    "study",
    "set_up",
    "figure",
    "spread",
    "value",
    "lower",
    "upper",
    "n",
    "persons",
    "shops",
    "method",
]
ANOVA, REML = "analysis of variance", "REML"
# In the order in which they are told.
SPREADS = (
    "repeatability",
    "between persons",
    "between phones",
    "persons by set-up",
    "between set-ups",
    "between shops",
    "intermediate",
    "reproducibility",
)

Told = Iterator[tuple[str, Spread, str]]


def gauge_table(rounds: pd.DataFrame) -> pd.DataFrame:
    """By study, set-up and value each spread (a standard deviation) with its bounds; empty without a study.

    `set_up` is empty where several were taken together. Sums of components by REML have no bounds.
    """
    rows: list[dict[str, Any]] = []
    for study, set_up, part in _parts(_of_studies(rounds)):
        about = {"study": study, "set_up": set_up}
        for key in value_keys(part):
            known = part.dropna(subset=[key])
            known = known.assign(value=_unwrapped(key, known[key].astype(float)))
            counts = {"n": len(known), "persons": known["person"].nunique(), "shops": known["shop"].nunique()}
            for name, spread, method in _spreads(known):
                rows.append(
                    {**about, "figure": key, "spread": name, **bounds(spread), **counts, "method": method}
                )
    return pd.DataFrame(rows, columns=COLUMNS)


def _of_studies(rounds: pd.DataFrame) -> pd.DataFrame:
    """The rounds that belong to a study and tell who took them."""
    if "set_up" not in rounds:
        return rounds.iloc[:0].assign(study="", set_up="", person="", shop="")
    of_study = rounds[rounds["set_up"].notna() & rounds["person"].notna()]
    return of_study.assign(study=of_study["study"].fillna(""), shop=of_study["shop"].fillna(""))


def _parts(rounds: pd.DataFrame) -> Iterator[tuple[str, str, pd.DataFrame]]:
    """Study, set-up and rounds: each set-up of several shops; then, of each shop, its others together."""
    for study, rows in rounds.groupby("study"):
        n_shops = rows.groupby("set_up")["shop"].transform("nunique")
        for set_up, part in rows[n_shops > 1].groupby("set_up"):
            yield str(study), str(set_up), part
        for _, part in rows[n_shops == 1].groupby("shop"):
            names = part["set_up"].unique()
            yield str(study), str(names[0]) if len(names) == 1 else "", part


def _unwrapped(key: str, values: pd.Series) -> pd.Series:
    """Angles on one side of the half circle's seam: only their differences count."""
    if not key.endswith("_deg") or values.empty:
        return values
    return values.iloc[0] + (values - values.iloc[0] + 180) % 360 - 180


def _spreads(known: pd.DataFrame) -> Told:
    """What can be told of a part's rounds; nothing where they are too few."""
    try:
        if known["shop"].nunique() > 1:
            yield from _of_shops(known)
        elif known["set_up"].nunique() == 1:
            yield from _of_one_set_up(known)
        else:
            yield from _of_set_ups(known)
    except ValueError:
        return


def _of_shops(known: pd.DataFrame) -> Told:
    try:
        spreads = nested(known["value"], known["shop"], known["person"]).spreads
    except ValueError:  # one person a shop: persons and shops cannot be told apart
        names = {"between groups": "between shops", "total": "reproducibility"}
        spreads = one_way(known["value"], known["shop"]).spreads
        spreads = {names.get(name, name): spread for name, spread in spreads.items()}
    yield from ((name, spread, ANOVA) for name, spread in spreads.items())


def _of_one_set_up(known: pd.DataFrame) -> Told:
    if known["person"].nunique() > 1:
        factor, between = "person", "between persons"
    elif known["phone"].nunique() > 1:
        factor, between = "phone", "between phones"
    else:
        yield "repeatability", repeats(known["value"]), ANOVA
        return
    names = {"between groups": between, "total": "intermediate"}
    told = known.dropna(subset=[factor])
    for name, spread in one_way(told["value"], told[factor]).spreads.items():
        yield names.get(name, name), spread, ANOVA


def _of_set_ups(known: pd.DataFrame) -> Told:
    """By analysis of variance where everybody measured everything equally often, else by REML."""
    try:
        spreads = crossed(known, "value", "set_up", "person").spreads
    except ValueError:
        yield from _by_reml(known)
    else:
        yield from ((name, spread, ANOVA) for name, spread in spreads.items())


def _by_reml(known: pd.DataFrame) -> Told:
    known = known.assign(both=known["set_up"] + " / " + known["person"])
    factors = [f for f in ("set_up", "person", "both") if 1 < known[f].nunique() < len(known)]
    found = reml(known, "value", factors)
    words = {"set_up": "between set-ups", "person": "between persons", "both": "persons by set-up"}
    yield "repeatability", Spread(found.residual, np.nan, np.nan), REML
    for factor, component in found.factors.items():
        yield words[factor], component.spread, REML
    parts = [found.residual, *(c.spread.value for f, c in found.factors.items() if f != "set_up")]
    yield "intermediate", Spread(float(np.sqrt(np.square(parts).sum())), np.nan, np.nan), REML
