"""What a study says: how far rounds of a set-up repeat, and how far people and shops differ, with bounds.

Terms of ISO 5725: *repeatability*, the same person at once; *intermediate* precision, another person in the
shop; *reproducibility*, another shop. What several shops measured is told set-up by set-up, as ISO 5725-2 has
it level by level; what one shop measured, over all its set-ups.

What changes only together cannot be told apart: where everybody has an own phone, the spread between persons
is that of person and phone. Each spread therefore says what it is of (`of`), and `notes` says it in words.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd

from calib_data.review.anova import Spread, crossed, nested, one_way, repeats_in_cells
from calib_data.review.components import reml
from calib_data.review.rounds import value_keys
from calib_data.review.tables import bounds

COLUMNS = [
    "study",
    "shop",
    "set_up",
    "figure",
    "spread",
    "of",
    "value",
    "lower",
    "upper",
    "n",
    "persons",
    "shops",
    "method",
]
ANOVA, UNWEIGHTED, REML = "analysis of variance", "analysis of variance, unweighted means", "REML"
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
# What may differ unasked between rounds; phones are told apart by their model.
BESIDE = ("phone", "kit")
REPEATS, PARTLY = "repeats", "partly "
WORDS = {"set_up": "set-up"}
NEXT_TIME = {
    ("person", "phone"): "let everybody use each phone",
    ("person", "kit"): "let everybody use each kit",
    ("phone", "kit"): "use each phone with each kit",
    ("shop", "person"): "have two persons in each shop",
    ("shop", "phone"): "let the phones go from shop to shop",
    ("shop", "kit"): "let one kit go from shop to shop",
    ("set_up", "person"): "let everybody take each set-up",
    ("set_up", "phone"): "take each set-up with each phone",
    ("set_up", "kit"): "take each set-up with each kit",
}

# Name, spread, what it is of, and by which method.
Told = Iterator[tuple[str, Spread, list[str], str]]


def gauge_table(rounds: pd.DataFrame) -> pd.DataFrame:
    """By study, set-up and value each spread (a standard deviation) with its bounds; empty without a study.

    `set_up` is empty where several were taken together, `shop` where several shops were. Sums of components
    by REML have no bounds.
    """
    rows: list[dict[str, Any]] = []
    for study, shop, set_up, part in _parts(_of_studies(rounds)):
        about = {"study": study, "shop": shop, "set_up": set_up}
        for key in value_keys(part):
            known = part.dropna(subset=[key])
            known = known.assign(value=_unwrapped(key, known[key].astype(float)))
            counts = {"n": len(known), "persons": known["person"].nunique(), "shops": known["shop"].nunique()}
            for name, spread, of, method in _spreads(known):
                about_it = {"figure": key, "spread": name, "of": ", ".join(of), "method": method}
                rows.append({**about, **about_it, **bounds(spread), **counts})
    return pd.DataFrame(rows, columns=COLUMNS)


def notes(table: pd.DataFrame) -> Iterator[str]:
    """What is to be known of the spreads of a part of the table, each sentence once."""
    told = (says for row in table.itertuples() for says in _notes_of(row.spread, row.of.split(", ")))
    yield from dict.fromkeys(told)
    methods = set(table["method"])
    if UNWEIGHTED in methods:
        yield (
            "The numbers of rounds are not equal, so bounds are approximate, from unweighted means: in drawn "
            "studies they held the truth in 93 to 97 of 100."
        )
    if REML in methods:
        yield (
            "Not everybody took every set-up, so what differs is estimated by restricted maximum likelihood. "
            "Its bounds are approximate: in drawn studies with three persons they held the truth in 87 to 99 "
            "of 100. Intermediate precision then has none."
        )


def _notes_of(spread: str, of: Sequence[str]) -> Iterator[str]:
    first, *others = of
    if first == REPEATS:
        for other in others:
            yield (
                f"Rounds of one person and set-up were taken with several {other}s: repeatability here has "
                f"another {other} in it."
            )
    elif spread.startswith("between"):
        together = [one for one in others if not one.startswith(PARTLY)]
        if together:
            advice = " and ".join(NEXT_TIME[first, other] for other in together)
            what = " and ".join(WORDS.get(one, one) for one in (first, *together))
            yield (
                f"What is said {spread} is of {what} together: each {WORDS.get(first, first)} went with one "
                f"{' and one '.join(together)} only, so they cannot be told apart. Next time {advice}."
            )
        for other in (one.removeprefix(PARTLY) for one in others if one not in together):
            yield (
                f"Not every {WORDS.get(first, first)} had each {other} equally often, so what is said "
                f"{spread} is partly of the {other}."
            )


def _of_studies(rounds: pd.DataFrame) -> pd.DataFrame:
    """The rounds that belong to a study and tell who took them."""
    if "set_up" not in rounds:
        return rounds.iloc[:0].assign(study="", set_up="", person="", shop="", **dict.fromkeys(BESIDE, ""))
    of_study = rounds[rounds["set_up"].notna() & rounds["person"].notna()]
    named = {one: of_study[one].fillna("") if one in of_study else "" for one in ("study", "shop", *BESIDE)}
    return of_study.assign(**named)


def _parts(rounds: pd.DataFrame) -> Iterator[tuple[str, str, str, pd.DataFrame]]:
    """Study, shop, set-up, rounds: each set-up of several shops; then, of each shop, its others together."""
    for study, rows in rounds.groupby("study"):
        n_shops = rows.groupby("set_up")["shop"].transform("nunique")
        for set_up, part in rows[n_shops > 1].groupby("set_up"):
            yield str(study), "", str(set_up), part
        for shop, part in rows[n_shops == 1].groupby("shop"):
            names = part["set_up"].unique()
            yield str(study), str(shop), str(names[0]) if len(names) == 1 else "", part


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
    of_repeats = [REPEATS, *_changing(known, ["shop", "person"])]
    of_shops = ["shop", *_along(known, ["shop"])]
    try:
        spreads = nested(known["value"], known["shop"], known["person"]).spreads
    except ValueError:  # one person a shop
        names = {"between groups": "between shops", "total": "reproducibility"}
        spreads = one_way(known["value"], known["shop"]).spreads
        spreads = {names.get(name, name): spread for name, spread in spreads.items()}
        if known["person"].nunique() > 1:  # not one who went from shop to shop
            of_shops.insert(1, "person")
        of_persons, is_equal = [], _is_equal(known, ["shop"])
    else:
        of_persons = ["person", *_along(known, ["shop", "person"], ["shop"])]
        in_shops = known.groupby("shop")["person"].nunique()
        is_equal = _is_equal(known, ["shop", "person"]) and in_shops.nunique() == 1
    of = {
        "repeatability": of_repeats,
        "between persons": of_persons,
        "between shops": of_shops,
        "intermediate": _all_of(of_persons, of_repeats),
        "reproducibility": _all_of(of_shops, of_persons, of_repeats),
    }
    yield from ((name, spread, of[name], _method(name, is_equal)) for name, spread in spreads.items())


def _of_one_set_up(known: pd.DataFrame) -> Told:
    factor = _who(known)
    of_repeats = [REPEATS, *_changing(known, ["person"] if factor != "phone" else ["person", "phone"])]
    if not factor:
        yield "repeatability", repeats_in_cells(known["value"], known["person"]), of_repeats, ANOVA
        return
    names = {"between groups": f"between {factor}s", "total": "intermediate"}
    told = known.dropna(subset=[factor])
    along = [factor, *_along(told, [factor])]
    of = {"repeatability": of_repeats, "between groups": along, "total": _all_of(along, of_repeats)}
    is_equal = _is_equal(told, [factor])
    for name, spread in one_way(told["value"], told[factor]).spreads.items():
        yield names.get(name, name), spread, of[name], _method(name, is_equal)


def _who(known: pd.DataFrame) -> str:
    """What is compared beside set-ups: persons, of one person phones, else nothing."""
    return next((name for name in ("person", "phone") if known[name].nunique() > 1), "")


def _of_set_ups(known: pd.DataFrame) -> Told:
    """By analysis of variance where everybody measured everything, else by REML."""
    try:
        spreads = crossed(known, "value", "set_up", "person").spreads
    except ValueError:
        yield from _by_reml(known)
        return
    cell = ["set_up", "person"]
    of_repeats, of_persons = [REPEATS, *_changing(known, cell)], ["person", *_along(known, ["person"])]
    along = [*_along(known, ["person"]), *_along(known, ["set_up"])]
    of_both = ["person by set-up", *(one for one in _along(known, cell) if one not in along)]
    of = {
        "repeatability": of_repeats,
        "between persons": of_persons,
        "persons by set-up": of_both,
        "between set-ups": ["set_up", *_along(known, ["set_up"])],
        "intermediate": _all_of(of_persons, of_both[1:], of_repeats),
    }
    is_equal = _is_equal(known, cell)
    yield from ((name, spread, of[name], _method(name, is_equal)) for name, spread in spreads.items())


def _by_reml(known: pd.DataFrame) -> Told:
    """Set-ups and persons (of one person: phones) as far as they can be told apart.

    Where nobody shares a set-up with another, they cannot: what differs is of both.
    """
    second = _who(known)
    cells = known["set_up"] + " / " + known["person"]
    known = known.assign(both=cells, cell=cells + " / " + known[second] if second else cells)
    of_repeats = [REPEATS, *_changing(known, ["cell"])]
    yield "repeatability", repeats_in_cells(known["value"], known["cell"]), of_repeats, ANOVA
    of = {"set_up": ["set_up"], second: [second], "both": ["person by set-up"]}
    factors = ["set_up"]
    if second and known.groupby("set_up")[second].nunique().max() > 1:
        factors.append(second)
        if second == "person":
            factors.append("both")
    elif second:
        of["set_up"].append(second)
    levels = {factor: known[factor].nunique() for factor in factors}
    for factor in ("set_up", second):
        if "both" in levels and levels["both"] == levels.get(factor):
            del levels["both"]  # one and the same
    factors = [factor for factor, n in levels.items() if 1 < n < len(known)]
    for factor in factors[:2]:
        of[factor] += [one for one in _along(known, [factor]) if one not in of[factor]]
    found = reml(known, "value", factors)
    words = {"set_up": "between set-ups", "both": "persons by set-up"}
    for factor, component in found.factors.items():
        yield words.get(factor, f"between {factor}s"), component.spread, of[factor], REML
    if second in factors:
        parts = [found.residual, *(c.spread.value for f, c in found.factors.items() if f != "set_up")]
        total = Spread(float(np.sqrt(np.square(parts).sum())), np.nan, np.nan)
        yield "intermediate", total, _all_of(of[second], of_repeats), REML


def _along(known: pd.DataFrame, group: list[str], within: Sequence[str] = ()) -> list[str]:
    """What of BESIDE differs between groups (within others): always the same in each, or partly so."""
    out = []
    parts = [part for _, part in known.groupby(list(within))] if within else [known]
    for other in (one for one in BESIDE if one not in group):
        shares = [pd.crosstab([p[one] for one in group], p[other], normalize="index") for p in parts]
        if not any(share.shape[1] > 1 for share in shares):
            continue
        if known.groupby(group)[other].nunique().max() == 1:
            out.append(other)
        elif group[-1] == "person" and any(np.ptp(share.to_numpy(), 0).max() > 1e-9 for share in shares):
            out.append(PARTLY + other)
    return out


def _changing(known: pd.DataFrame, cell: list[str]) -> list[str]:
    """What of BESIDE changes within a cell."""
    return [one for one in BESIDE if known.groupby(cell)[one].nunique().max() > 1]


def _all_of(*parts: Iterable[str]) -> list[str]:
    """What a sum is of, each once."""
    ones = (one.removeprefix(PARTLY) for part in parts for one in part if one != REPEATS)
    return list(dict.fromkeys(ones))


def _is_equal(known: pd.DataFrame, cell: list[str]) -> bool:
    return bool(known.groupby(cell).size().nunique() == 1)


def _method(name: str, is_equal: bool) -> str:
    return ANOVA if is_equal or name == "repeatability" else UNWEIGHTED
