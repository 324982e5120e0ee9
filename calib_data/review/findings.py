"""What the statistics say of an archive: which kit, phone, bay, model or round is off, likeliest first.

First the groups, then the rounds that no group explains. Two families of tests, each held by Holm's rule
to one false alarm in twenty archives, and beside it a size below which nobody would act. A round's own
failed tests speak too: correct rounds fail them in two of a thousand. What is only a consequence (a phone
with a poor lens also has undecided rounds) is told with its cause. Of a study's rounds, which repeat one
set-up, only their own tests and altered bytes speak.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from calib_data.review.additive import Fit, fit
from calib_data.review.many import holm
from calib_data.review.rounds import CERTAIN, GROUPS, Rounds, derived, everyday, value_keys

LEVEL = 0.05

KIT_DRIFT, KIT_SCALE, SHEET_DRIFT = "kit drift", "kit scale", "sheet drift"
DECLARED_WHEELBASE, PHONE_LENS, RESIDUALS = "declared wheelbase", "phone lens", "residuals"
BAY_FLOOR, BAY_OFFSET, UNCERTAIN, UNDECIDED = (
    "bay floor",
    "bay offset",
    "large uncertainty",
    "often undecided",
)
ANOTHER_VEHICLE, ALTERED_PHOTO, OTHER_ROUND = "another vehicle", "altered photo", "outlying round"
# Causes before their symptoms.
ORDER = (
    KIT_DRIFT,
    KIT_SCALE,
    PHONE_LENS,
    BAY_FLOOR,
    BAY_OFFSET,
    DECLARED_WHEELBASE,
    SHEET_DRIFT,
    RESIDUALS,
    UNCERTAIN,
    UNDECIDED,
    ANOTHER_VEHICLE,
    ALTERED_PHOTO,
    OTHER_ROUND,
)

# Sizes below which nobody would act; common practice, no source.
LEAST = MappingProxyType(
    {
        KIT_DRIFT: 5e-4,  # over the time seen: 1.4 mm in a wheelbase
        KIT_SCALE: 1e-3,
        SHEET_DRIFT: 5e-4,
        DECLARED_WHEELBASE: 2.0,  # in its u
        "level": np.log(
            1.03
        ),  # residuals larger by 3 %: with a rippled lens a round's own tests begin to fail
        "angle_deg": 0.1,
        "share of tolerance": 0.25,
        "log_u": np.log(1.25),
        "share": 0.1,
        "round level": np.log(1.05),
        "round scale": 2.0,  # in the declared wheelbase's u
    }
)
# A round's own tests that tell of photos not as the phone took them.
OF_PHOTOS = ("photo_altered", "lens of each photo", "focal length", "lens model")


@dataclass(frozen=True)
class Finding:
    """Something found.

    Attributes:
        factor, level: Of a group: `kit` and its name. Of a round: `round` and its id.
        effect, u: In `unit`.
        p: That chance made it, adjusted for everything that was looked at.
        also: Further words: what goes with it.
        rounds: The rounds it rests on.
    """

    kind: str
    factor: str
    level: str
    effect: float
    u: float
    unit: str
    p: float
    says: str
    also: tuple[str, ...] = ()
    rounds: tuple[str, ...] = ()

    @property
    def subject(self) -> str:
        return _named(self.factor, self.level)


@dataclass(frozen=True, eq=False)
class _Candidate:
    finding: Finding
    is_large: bool


def find(measured: Rounds) -> list[Finding]:
    """All that is found in an archive, likeliest first: groups, then rounds."""
    every = derived(measured.rounds)
    frame = everyday(every).reset_index(drop=True)
    scale = fit(frame, "scale_off", ["vehicle", "kit"], over="months", of="kit")
    level = fit(frame, "level", list(GROUPS))
    candidates = [
        *_scale(frame, scale),
        *_levels(level),
        *_bays(frame),
        *_uncertainty(frame),
        *_undecided(frame),
        *_sheets(frame, measured.sheets),
    ]
    groups = _by_subject(_kept(candidates), frame)
    single = _rounds(frame, scale, level, measured.tests, groups)
    own = _own_tests(every, measured.tests, groups, {f.level for f in single})
    return [*groups, *sorted([*single, *own], key=lambda f: (f.p, -abs(f.effect)))]


def _kept(candidates: Iterable[_Candidate]) -> list[Finding]:
    """Those that are improbable, all tests counted, and large enough."""
    candidates = list(candidates)
    adjusted = holm(np.array([c.finding.p for c in candidates]))
    return [
        replace(c.finding, p=float(p))
        for c, p in zip(candidates, adjusted, strict=True)
        if c.is_large and p <= LEVEL
    ]


def _by_subject(found: Sequence[Finding], frame: pd.DataFrame) -> list[Finding]:
    """One finding for each kit, phone, bay or model: its cause, and what goes with it."""
    by: dict[tuple[str, str], list[Finding]] = {}
    for one in sorted(found, key=lambda f: (ORDER.index(f.kind), f.p)):
        by.setdefault((one.factor, one.level), []).append(one)
    out = []
    for (factor, level), ones in by.items():
        mine = frame["round_id"][frame[factor] == level] if factor in frame else pd.Series(dtype=str)
        also = tuple(one.says for one in ones[1:])
        out.append(replace(ones[0], also=also, rounds=tuple(mine)))
    return sorted(out, key=lambda f: (f.p, -abs(f.effect) / f.u if f.u else 0.0))


# --- groups ---------------------------------------------------------------------------------------


def _scale(frame: pd.DataFrame, found: Fit | None) -> Iterator[_Candidate]:
    """Kits and vehicle models by the wheelbase: declared, measured, and how it goes with the months."""
    if found is None:
        return
    months = frame.groupby("kit")["months"]
    spans = months.max() - months.min()
    declared = frame.groupby("vehicle")[["wheelbase_mm", "u_wheelbase_mm"]].median()
    for row in found.slopes.itertuples():
        span = float(spans[row.level])
        says = (
            f"Kit {row.level}: the vehicles measured with it come out {_shorter(row.effect)} by "
            f"{_permille(row.effect)} more each month ({_permille(row.effect * span)} over {span:.1f} "
            f"months, u {_permille(row.u * span)}). Its sheets {'swell' if row.effect < 0 else 'shrink'}: "
            "measure their rulers again, and keep them dry and flat."
        )
        one = Finding(KIT_DRIFT, "kit", row.level, row.effect, row.u, "1/month", row.p, says)
        yield _Candidate(one, abs(row.effect) * span >= LEAST[KIT_DRIFT])
    for row in found.effects.itertuples():
        if row.factor == "kit":
            says = (
                f"Kit {row.level}: vehicles come out {_permille(row.effect)} {_shorter(row.effect)} (u "
                f"{_permille(row.u)}) than with the other kits. Measure its sheets' rulers again."
            )
            one = Finding(KIT_SCALE, "kit", row.level, row.effect, row.u, "1", row.p, says)
            yield _Candidate(one, abs(row.effect) >= LEAST[KIT_SCALE])
        else:
            wheelbase_mm, u_mm = map(float, declared.loc[row.level])
            off_mm = row.effect * wheelbase_mm
            says = (
                f"Vehicle {row.level}: {row.n} rounds measure a wheelbase {abs(off_mm):.1f} mm "
                f"{'longer' if off_mm > 0 else 'shorter'} than the {wheelbase_mm:.0f} mm that are declared. "
                "Look up the maker's figure for this version."
            )
            one = Finding(
                DECLARED_WHEELBASE, "vehicle", row.level, off_mm, row.u * wheelbase_mm, "mm", row.p, says
            )
            yield _Candidate(one, abs(off_mm) >= LEAST[DECLARED_WHEELBASE] * u_mm)


def _levels(found: Fit | None) -> Iterator[_Candidate]:
    """Residuals by phone, kit and bay."""
    causes = {
        "phone": "a lens that the model does not describe, or photos that the phone corrects",
        "kit": "sheets that are bent, loose or not where the kit says",
        "bay": "light, glare or a floor that moves underfoot",
    }
    for row in () if found is None else found.effects.itertuples():
        more = np.expm1(row.effect)
        says = (
            f"{_named(row.factor, row.level)}: residuals are {100 * more:+.1f} % larger than with the "
            f"others ({row.n} rounds, u {100 * row.u:.1f} %): {causes[row.factor]}."
        )
        kind = PHONE_LENS if row.factor == "phone" else RESIDUALS
        one = Finding(kind, row.factor, row.level, row.effect, row.u, "log", row.p, says)
        yield _Candidate(one, row.effect >= LEAST["level"])


def _bays(frame: pd.DataFrame) -> Iterator[_Candidate]:
    """Where targets stand off in one bay and not in others."""
    for key in value_keys(frame):
        found = fit(frame, f"off_{key}", ["bay", "kit"])
        if found is None:
            continue
        name, unit = key.rsplit("_", 1)
        half = float(frame[f"{key}_half"].astype(float).median()) if f"{key}_half" in frame else np.nan
        least = LEAST["angle_deg"] if np.isnan(half) else LEAST["share of tolerance"] * half
        leans = name in ("pitch", "roll")
        why = (
            "The floor slopes there under a fixture that is set up with a level, or the level is off."
            if leans
            else "Look at the bay's marks, floor and habits."
        )
        for row in found.effects[found.effects["factor"] == "bay"].itertuples():
            says = (
                f"{_named(row.factor, row.level)}: targets stand with a {name} {row.effect:+.2f} {unit} off "
                f"that of the other bays ({row.n} rounds, u {row.u:.2f}). {why}"
            )
            kind = BAY_FLOOR if leans else BAY_OFFSET
            one = Finding(kind, "bay", row.level, row.effect, row.u, unit, row.p, says)
            yield _Candidate(one, abs(row.effect) >= least)


def _uncertainty(frame: pd.DataFrame) -> Iterator[_Candidate]:
    """Lateral u by ranks (Mann and Whitney 1947): it has two humps, with and without unchecked sheets."""
    known = frame[[*GROUPS, "log_u"]].dropna(subset=["log_u"])
    for factor, level, here, rest in _against_the_others(known):
        p = float(stats.mannwhitneyu(here["log_u"], rest["log_u"], alternative="greater").pvalue)
        more = float(here["log_u"].median() - rest["log_u"].median())
        says = (
            f"{_named(factor, level)}: the lateral u is {100 * np.expm1(more):+.0f} % off that of the others "
            f"(medians, {len(here)} rounds): too few photos, or from poor places."
        )
        u = float(1.2533 * here["log_u"].std() / np.sqrt(len(here)))
        yield _Candidate(Finding(UNCERTAIN, factor, level, more, u, "log", p, says), more >= LEAST["log_u"])


def _against_the_others(frame: pd.DataFrame) -> Iterator[tuple[str, str, pd.DataFrame, pd.DataFrame]]:
    """Each bay, phone and kit of three rounds and more, and the rounds without it."""
    for factor in GROUPS:
        for level, mine in frame.groupby(factor).groups.items():
            here, rest = frame.loc[mine], frame.drop(mine)
            if min(len(here), len(rest)) >= 3:
                yield factor, str(level), here, rest


def _undecided(frame: pd.DataFrame) -> Iterator[_Candidate]:
    """Shares of rounds without a decision, by Fisher's exact test."""
    for factor, level, rows, others in _against_the_others(frame[[*GROUPS, "is_poor"]]):
        here, rest = rows["is_poor"], others["is_poor"]
        table = [[here.sum(), (~here).sum()], [rest.sum(), (~rest).sum()]]
        p = float(stats.fisher_exact(table, "greater").pvalue)
        more = float(here.mean() - rest.mean())
        says = (
            f"{_named(factor, level)}: {here.sum()} of {len(here)} rounds are undecided or could not be "
            f"measured, elsewhere {rest.sum()} of {len(rest)}."
        )
        u = float(np.sqrt(here.mean() * (1 - here.mean()) / len(here)))
        yield _Candidate(Finding(UNDECIDED, factor, level, more, u, "share", p, says), more >= LEAST["share"])


def _sheets(frame: pd.DataFrame, sheets: pd.DataFrame) -> Iterator[_Candidate]:
    """Each sheet against the others of its kit in the same round, over the months."""
    if sheets.empty:
        return
    own = sheets[sheets["plate"] >= 0].merge(frame[["round_id", "kit", "months"]], on="round_id")
    own["rel"] = own["off"] - own.groupby("round_id")["off"].transform("median")
    for kit, rows in own.groupby("kit"):
        found = fit(rows.assign(sheet=rows["plate"].astype(str)), "rel", ["sheet"], over="months", of="sheet")
        for row in () if found is None else found.slopes.itertuples():
            span = float(np.ptp(rows["months"]))
            grows = "grows" if row.effect > 0 else "shrinks"
            says = (
                f"Kit {kit}, plate {row.level}: its print {grows} against the others' by "
                f"{_permille(row.effect)} a month (u {_permille(row.u)}, {row.n} rounds). Measure its ruler "
                "again, or print it anew."
            )
            one = Finding(
                SHEET_DRIFT, "sheet", f"{kit} / {row.level}", row.effect, row.u, "1/month", row.p, says
            )
            yield _Candidate(one, abs(row.effect) * span >= LEAST[SHEET_DRIFT])


# --- rounds ---------------------------------------------------------------------------------------


def _rounds(
    frame: pd.DataFrame,
    scale: Fit | None,
    level: Fit | None,
    tests: pd.DataFrame,
    groups: Sequence[Finding],
) -> list[Finding]:
    """Rounds whose wheelbase or residuals no kit, phone, bay or model explains.

    Every round counts twice, whether or not it is looked at further.
    """
    off_scale, p_scale = _off(frame, "scale_off", scale)
    off_level, p_level = _off(frame, "level", level)
    p = holm(np.concatenate([p_scale, p_level]))
    n = len(frame)
    off_mm = off_scale * frame["wheelbase_mm"].to_numpy(float)
    is_long = np.abs(off_mm) >= LEAST["round scale"] * frame["u_wheelbase_mm"].to_numpy(float)
    out = [
        _another_vehicle(frame, int(i), float(off_mm[i]), scale.s, float(p[i]))
        for i in np.flatnonzero((p[:n] <= LEVEL) & is_long)
        if scale is not None
    ]
    first = _first_tests(tests)
    for i in np.flatnonzero((p[n:] <= LEVEL) & (off_level >= LEAST["round level"])):
        row = frame.loc[i]
        name, words = first.get(row["round_id"], ("", ""))
        is_photo = name in OF_PHOTOS
        if level is None or (not is_photo and _guilty(row, groups)):
            continue
        more = 100 * np.expm1(off_level[i])
        says = f"{_which(row)}: residuals are {more:+.0f} % off what its phone, kit and bay give. {words}"
        kind = ALTERED_PHOTO if is_photo else OTHER_ROUND
        out.append(_of_round(kind, row, float(off_level[i]), level.s, "log", float(p[n + i]), says.strip()))
    return out


def _off(frame: pd.DataFrame, column: str, found: Fit | None) -> tuple[NDArray, NDArray]:
    """(n,) how far each round is off what the fit makes of it, and how improbable that is; nan without."""
    if found is None:
        return np.full(len(frame), np.nan), np.full(len(frame), np.nan)
    return (frame[column] - found.fitted).to_numpy(), found.p_of_rows().to_numpy()


def _of_round(kind: str, row: pd.Series, effect: float, u: float, unit: str, p: float, says: str) -> Finding:
    name = row["round_id"]
    return Finding(kind, "round", name, effect, u, unit, p, says, rounds=(name,))


def _another_vehicle(frame: pd.DataFrame, i: int, off_mm: float, s: float, p: float) -> Finding:
    """A wheelbase that fits neither its model nor its kit's other rounds; whose it may be."""
    row = frame.loc[i]
    says = (
        f"{_which(row)}: the wheelbase measures {row['measured_wheelbase_mm']:.0f} mm, {abs(off_mm):.0f} mm "
        f"{'more' if off_mm > 0 else 'less'} than other rounds of {row['vehicle']} and with this kit let "
        "expect."
    )
    others = frame.groupby("vehicle")["measured_wheelbase_mm"].median().drop(row["vehicle"])
    away_mm = (others - row["measured_wheelbase_mm"]).abs().dropna()
    if len(away_mm) and away_mm.min() <= LEAST["round scale"] * row["u_wheelbase_mm"]:
        says += f" It fits {away_mm.idxmin()}: photos of another vehicle, or the wrong one was declared."
    else:
        says += " Photos of another vehicle, or a wrong figure was declared."
    return _of_round(ANOTHER_VEHICLE, row, off_mm, s * row["wheelbase_mm"], "mm", p, says)


def _own_tests(
    frame: pd.DataFrame, tests: pd.DataFrame, groups: Sequence[Finding], told: set[str]
) -> Iterator[Finding]:
    """Rounds that failed their own tests, where neither a group nor an outlying figure explains it."""
    first = _first_tests(tests)
    for _, row in frame[frame["round_id"].isin(first.keys() - told)].iterrows():
        name, words = first[row["round_id"]]
        is_certain = name in CERTAIN
        if is_certain or not _guilty(row, groups):
            kind = ALTERED_PHOTO if name in OF_PHOTOS else OTHER_ROUND
            why = words if is_certain else f"the round fails its own test '{name}'. {words}"
            yield _of_round(kind, row, 0.0, 0.0, "", 0.0 if is_certain else LEVEL, f"{_which(row)}: {why}")


def _first_tests(tests: pd.DataFrame) -> Mapping[str, tuple[str, str]]:
    """By round, the failed test that is the likeliest cause: its name and words."""
    first = tests.drop_duplicates("round_id")
    return {
        row.round_id: (row.name_, row.says) for row in first.rename(columns={"name": "name_"}).itertuples()
    }


def _guilty(row: pd.Series, groups: Sequence[Finding]) -> bool:
    """Whether a found kit or phone explains what is odd in a round."""
    causes = (KIT_DRIFT, KIT_SCALE, PHONE_LENS, RESIDUALS, DECLARED_WHEELBASE)
    return any(f.kind in causes and row.get(f.factor) == f.level for f in groups)


# --- words ----------------------------------------------------------------------------------------


def _which(row: pd.Series) -> str:
    day = "" if pd.isna(row["taken"]) else f"{row['taken']:%Y-%m-%d}"
    known = [words for words in (day, row["bay"], row["vehicle"]) if isinstance(words, str) and words]
    return f"Round {row['round_id']}" + (f" ({', '.join(known)})" if known else "")


def _named(factor: str, level: str) -> str:
    """`Kit van 2`, but `Bay 1` where it is called so."""
    words = level if level.lower().startswith(factor) else f"{factor} {level}"
    return words[:1].upper() + words[1:]


def _permille(x: float) -> str:
    return f"{1000 * abs(x):.2f} per mille"


def _shorter(off: float) -> str:
    return "shorter" if off < 0 else "longer"
