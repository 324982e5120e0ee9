"""The tables of a review: findings, components, charts, kits over the months; what repeats: gauge.py."""

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd

from calib_data.review.additive import fit
from calib_data.review.anova import Spread
from calib_data.review.charts import Chart, individuals, weighted_mean
from calib_data.review.components import reml
from calib_data.review.findings import Finding
from calib_data.review.lines import weighted_line
from calib_data.review.rounds import GROUPS, value_keys

# What is charted, and of which group each chart is.
CHARTED = (("scale_off", "vehicle"), ("level", "phone"), ("log_u", "bay"), ("log_redundancy", "bay"))
FEWEST_CHARTED = 8
FOREIGN = 4.0  # residuals beyond this, in standard deviations, take no part in a kit's line


def finding_table(findings: Sequence[Finding]) -> pd.DataFrame:
    """One row a finding, likeliest first."""
    rows = [
        {
            "kind": f.kind,
            "subject": f.subject,
            "factor": f.factor,
            "level": f.level,
            "effect": f.effect,
            "u": f.u,
            "unit": f.unit,
            "p": f.p,
            "n_rounds": len(f.rounds),
            "says": f.says,
            "also": " ".join(f.also),
        }
        for f in findings
    ]
    columns = ["kind", "subject", "factor", "level", "effect", "u", "unit", "p", "n_rounds", "says", "also"]
    return pd.DataFrame(rows, columns=columns)


def measures(frame: pd.DataFrame) -> list[str]:
    """Columns of derived rounds that components and charts are made of."""
    return ["scale_off", "level", *(f"off_{key}" for key in value_keys(frame))]


def component_table(frame: pd.DataFrame) -> pd.DataFrame:
    """By figure and factor: the standard deviation that it brings, its bounds, and p that there is none."""
    rows: list[dict[str, Any]] = []
    for name in measures(frame):
        known = frame[[name, *GROUPS]].dropna()
        factors = [g for g in GROUPS if 1 < known[g].nunique() < len(known)]
        if not factors:
            continue
        try:
            found = reml(known[_within_reach(known[name])], name, factors)
        except ValueError:
            continue
        for factor, component in found.factors.items():
            rows.append({"figure": name, "factor": factor, **bounds(component.spread), "p": component.p})
        rows.append({"figure": name, "factor": "rest", "value": found.residual})
    return pd.DataFrame(rows, columns=["figure", "factor", "value", "lower", "upper", "p"])


def _within_reach(values: pd.Series) -> pd.Series:
    """Rows less than ten median deviations off: photos of another vehicle are no variance of this shop's."""
    off = (values - values.median()).abs()
    return off <= 10 * max(float(off.median()), 1e-12)


def bounds(spread: Spread) -> dict[str, float]:
    """As a table has them."""
    return {"value": spread.value, "lower": spread.lower, "upper": spread.upper}


def charts(frame: pd.DataFrame) -> Iterator[tuple[str, str, str, pd.DataFrame, Chart, Chart]]:
    """Of every group with enough rounds, by time: figure, factor, level, its rows and both charts."""
    timed = frame.assign(log_redundancy=np.log(frame["redundancy"].astype(float))).sort_values("taken")
    for figure, factor in CHARTED:
        for level, rows in timed.dropna(subset=[figure, factor, "taken"]).groupby(factor):
            if len(rows) >= FEWEST_CHARTED:
                values = rows[figure].to_numpy(float)
                yield figure, factor, str(level), rows, individuals(values), weighted_mean(values)


def chart_table(frame: pd.DataFrame) -> pd.DataFrame:
    """Every charted point with its limits and what the rules say of it."""
    parts = []
    for figure, factor, level, rows, single, mean in charts(frame):
        part = pd.DataFrame(
            {
                "figure": figure,
                "factor": factor,
                "level": level,
                "round_id": rows["round_id"].to_numpy(),
                "taken": rows["taken"].to_numpy(),
                "value": single.points,
                "centre": single.centre,
                "lower": single.lower,
                "upper": single.upper,
                "beyond": single.beyond,
                "run": single.run,
                "mean": mean.points,
                "mean_lower": mean.lower,
                "mean_upper": mean.upper,
                "mean_beyond": mean.beyond,
            }
        )
        parts.append(part)
    return pd.concat(parts) if parts else pd.DataFrame(columns=["figure", "factor", "level", "round_id"])


def kit_table(frame: pd.DataFrame, sheets: pd.DataFrame) -> pd.DataFrame:
    """By kit, the line of the wheelbases' error over the months, vehicle models' own errors taken off.

    Weighted with each round's u and the scatter beside it; the ruler's error, which all of a kit's rounds
    share, makes the line's height uncertain and not its slope.
    """
    columns = ["kit", "n", "at_start", "u_at_start", "per_month", "u_per_month", "p"]
    found = fit(frame, "scale_off", ["vehicle", "kit"], over="months", of="kit")
    if found is None:
        return pd.DataFrame(columns=columns)
    ruler = sheets[sheets["plate"] < 0].merge(frame[["round_id", "kit"]], on="round_id")
    models = frame.groupby("vehicle")["scale_off"].transform("median")
    rows = []
    for kit, mine in frame[found.residuals.abs() < FOREIGN].groupby("kit"):
        u = np.hypot(mine["u_scale_off"], found.s).to_numpy(float)
        of_ruler = ruler.loc[ruler["kit"] == kit, "u_off"]
        off = (mine["scale_off"] - models[mine.index]).to_numpy(float)
        try:
            u_common = float(of_ruler.median()) if len(of_ruler) else 0.0
            line = weighted_line(mine["months"].to_numpy(float), off, u, u_common=u_common)
        except ValueError:
            continue
        figures = (line.at_zero, line.u_at_zero, line.slope, line.u_slope, line.p)
        rows.append((kit, len(mine), *figures))
    return pd.DataFrame(rows, columns=columns)
