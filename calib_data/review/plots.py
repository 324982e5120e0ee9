"""The plots of a review, as figures and as SVG text. The same rounds give the same bytes."""

import io
from collections.abc import Sequence

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure
from numpy.typing import NDArray

from calib_data.drawings import ACCENT, GREY, INK, PALE
from calib_data.review.charts import Chart
from calib_data.review.tables import charts

# Of each figure: its title, its axis, and what a value is multiplied by to be read there.
WORDS = {
    "scale_off": ("Wheelbase, measured less declared", "per mille", 1000.0),
    "level": ("Residuals, off what they should be", "%", 100.0),
    "log_u": ("Lateral u, as its logarithm", "ln(u / mm)", 1.0),
    "log_redundancy": ("Redundancy, as its logarithm", "ln", 1.0),
}
MARKS = ("o", "s", "^", "D", "v", "P", "X", "*")
PANEL_IN = (6.4, 2.0)
MOST_PANELS = 12


def as_svg(figure: Figure) -> str:
    """A figure as SVG text."""
    out = io.StringIO()
    with matplotlib.rc_context({"svg.hashsalt": "plumbsight"}):
        figure.savefig(out, format="svg", metadata={"Date": None})
    return out.getvalue()


def plots(frame: pd.DataFrame, components: pd.DataFrame) -> dict[str, Figure]:
    """By name, every plot that these rounds allow."""
    out = {"kits": kits_over_time(frame)}
    for figure in WORDS:
        drawn = control_charts(frame, figure)
        if drawn is not None:
            out[f"chart_{figure}"] = drawn
    angles = [key for key in ("off_pitch_deg", "off_roll_deg", "off_yaw_deg") if key in frame]
    lengths = [key for key in ("off_distance_mm", "off_lateral_mm", "off_height_mm") if key in frame]
    for name, columns in (("bays_deg", angles), ("bays_mm", lengths)):
        if columns and frame["bay"].notna().any():
            out[name] = by_bay(frame, columns)
    if len(components):
        out["components"] = component_bars(components)
    return out


def kits_over_time(frame: pd.DataFrame) -> Figure:
    """The wheelbases' error by kit, over time. Rounds far outside are drawn at the edge."""
    figure = Figure(figsize=(6.4, 3.4), layout="constrained")
    axes = figure.subplots()
    known = frame.dropna(subset=["scale_off", "kit", "taken"])
    _frame_of(axes, 1000 * known["scale_off"])
    for i, (kit, rows) in enumerate(known.groupby("kit")):
        shade = INK if i % 2 else ACCENT
        axes.plot(
            rows["taken"],
            _inside(axes, 1000 * rows["scale_off"]),
            MARKS[i % len(MARKS)],
            ms=3.5,
            mfc="none",
            mec=shade,
            label=str(kit),
        )
    axes.axhline(0, color=GREY, lw=0.8)
    axes.set_ylabel("measured less declared, per mille")
    axes.set_title("Wheelbase by kit", loc="left", fontsize=10)
    if known["kit"].nunique() > 0:
        axes.legend(fontsize=7, ncols=4, frameon=False, loc="upper left", bbox_to_anchor=(0, -0.12))
    _dates(axes)
    return figure


def control_charts(frame: pd.DataFrame, figure_name: str) -> Figure | None:
    """Single values with their limits and the weighted mean, a panel for each level; None: too few rounds."""
    panels = [one for one in charts(frame) if one[0] == figure_name][:MOST_PANELS]
    if not panels:
        return None
    title, unit, factor = WORDS[figure_name]
    size = (PANEL_IN[0], 0.4 + PANEL_IN[1] * len(panels))
    figure = Figure(figsize=size, layout="constrained")
    figure.suptitle(f"{title} ({unit})", x=0.01, ha="left", fontsize=10)
    for axes, (_, what, level, rows, single, mean) in zip(
        np.atleast_1d(figure.subplots(len(panels), sharex=True)), panels, strict=True
    ):
        _panel(axes, rows, single, mean, factor)
        axes.set_title(f"{what} {level}", loc="left", fontsize=8)
    return figure


def _panel(axes: Axes, rows: pd.DataFrame, single: Chart, mean: Chart, factor: float) -> None:
    taken = rows["taken"]
    _frame_of(axes, pd.Series(factor * single.points), factor * single.lower[0], factor * single.upper[0])
    axes.plot(taken, _inside(axes, factor * single.points), "o", ms=3, mfc="none", mec=GREY)
    axes.plot(taken, factor * mean.points, "-", color=ACCENT, lw=1.2)
    for level in (single.lower[0], single.centre, single.upper[0]):
        axes.axhline(factor * level, color=GREY, lw=0.6, ls="-" if level == single.centre else "--")
    odd = single.beyond | mean.beyond
    axes.plot(taken[odd], _inside(axes, factor * single.points[odd]), "X", ms=6, mec=INK, mfc=INK)
    _dates(axes)


def by_bay(frame: pd.DataFrame, columns: Sequence[str]) -> Figure:
    """How far targets stand off in each bay: median, quartiles and all within reach."""
    figure = Figure(figsize=(6.4, 2.4 * len(columns)), layout="constrained")
    for axes, column in zip(np.atleast_1d(figure.subplots(len(columns))), columns, strict=True):
        known = frame.dropna(subset=[column, "bay"])
        names = sorted(known["bay"].unique())[: 2 * MOST_PANELS]
        axes.boxplot(
            [known.loc[known["bay"] == name, column] for name in names],
            tick_labels=names,
            sym=".",
            medianprops={"color": ACCENT},
        )
        axes.axhline(0, color=GREY, lw=0.6)
        name, unit = column.removeprefix("off_").rsplit("_", 1)
        axes.set_title(f"{name}, less nominal ({unit})", loc="left", fontsize=8)
        axes.tick_params(labelsize=7)
    return figure


def component_bars(components: pd.DataFrame) -> Figure:
    """Standard deviations that phone, kit and bay bring, in parts of the rest, with their bounds."""
    rest = components[components["factor"] == "rest"].set_index("figure")["value"]
    shown = components[components["factor"] != "rest"].copy()
    for column in ("value", "lower", "upper"):
        shown[column] = shown[column] / shown["figure"].map(rest)
    figure = Figure(figsize=(6.4, 0.5 + 0.2 * len(shown)), layout="constrained")
    axes = figure.subplots()
    places = np.arange(len(shown))[::-1]
    axes.barh(places, shown["value"], color=PALE, edgecolor=GREY)
    upper = np.minimum(shown["upper"], 5.0)
    axes.hlines(places, shown["lower"], upper, color=INK, lw=1)
    words = [f"{row.figure.removeprefix('off_')}: {row.factor}" for row in shown.itertuples()]
    axes.set_yticks(places, words, fontsize=7)
    axes.set_xlim(0, max(1.5, float(upper.max()) if len(upper) else 0))
    axes.set_title("What differs by phone, kit and bay, in parts of the rest", loc="left", fontsize=10)
    return figure


def _frame_of(axes: Axes, values: pd.Series, *lines: float) -> None:
    """Limits that hold all but the wildest: one round of another vehicle would flatten the rest.

    Args:
        lines: Levels to be seen too, unless they are as wild.
    """
    if values.dropna().empty:
        return
    middle = float(values.median())
    reach = 8 * max(float((values - middle).abs().median()), 1e-9)
    inside = values[(values - middle).abs() <= reach]
    near = [level for level in lines if abs(level - middle) <= 2 * reach]
    low, high = min([float(inside.min()), *near]), max([float(inside.max()), *near])
    room = 0.1 * max(high - low, 1e-9)
    axes.set_ylim(low - room, high + room)


def _inside(axes: Axes, values: pd.Series | NDArray) -> NDArray:
    """Values as they are drawn: what lies outside the frame stands at its edge."""
    return np.clip(np.asarray(values, float), *axes.get_ylim())


def _dates(axes: Axes) -> None:
    locator = AutoDateLocator(maxticks=8)
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))
    axes.tick_params(labelsize=7)
