"""Filtered rounds as CSV and Parquet, and as plots: streamed or bounded, so that any number goes through."""

import csv
import importlib
import io
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.problems import NotThereError
from api.review.remeasured import Wanted, filtered
from calib_data.results import Round, reading

ROWS_AT_ONCE = 2_000
# Points in a plot; of more the latest are drawn, since nobody tells more apart.
MOST_DRAWN = 3_000
PLOTS = ("kits", "scale_off", "level")
PlotName = Literal["kits", "scale_off", "level"]

_TYPES = {int: "int64", float: "float64", bool: "bool_", str: "string"}
_COLUMNS = [column for column in Round.__table__.columns if column.name not in ("run_id", "fingerprint")]
# Matplotlib's settings are one for all threads.
_drawing = threading.Lock()


def as_csv(path: Path, wanted: Wanted) -> Iterator[str]:
    """The rounds as CSV, piece by piece; what is not known is nothing."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([column.name for column in _COLUMNS])
    with reading(path) as db:
        for part in _parts(db, wanted):
            writer.writerows(part)
            yield out.getvalue()
            out.seek(0)
            out.truncate()
    yield out.getvalue()


def write_parquet(path: Path, wanted: Wanted, to: Path) -> None:
    """The rounds as a Parquet file.

    Raises:
        NotThereError: The library for it is not installed.
    """
    pa = needed("pyarrow")
    parquet = needed("pyarrow.parquet")
    types = [(c.name, getattr(pa, _TYPES.get(c.type.python_type, "string"))()) for c in _COLUMNS]
    schema = pa.schema(types)
    with parquet.ParquetWriter(to, schema) as out, reading(path) as db:
        for part in _parts(db, wanted):
            columns = zip(*part, strict=True)
            arrays = [pa.array(column, kind) for column, (_, kind) in zip(columns, types, strict=True)]
            out.write_table(pa.Table.from_arrays(arrays, schema=schema))


def _parts(db: Session, wanted: Wanted) -> Iterator[list[tuple[Any, ...]]]:
    query = filtered(select(*_COLUMNS), wanted).order_by(Round.id)
    rows = db.execute(query.execution_options(yield_per=ROWS_AT_ONCE))
    for part in rows.partitions():
        yield [tuple(row) for row in part]


def plot(db: Session, wanted: Wanted, name: PlotName) -> str:
    """A plot of the latest of these rounds as SVG; of a study only where it is asked for: its rounds repeat.

    Raises:
        NotThereError: The libraries for it are not installed, or there are too few rounds.
    """
    pd, plots = needed("pandas"), needed("calib_data.review.plots")
    derived = needed("calib_data.review.rounds").derived
    names = ["round_id", "taken", "bay", "phone", "vehicle", "wheelbase_mm", "chi2", "redundancy"]
    names += [f"{u}wheelbase_{side}_mm" for side in ("left", "right") for u in ("", "u_")]
    columns = [*(getattr(Round, one) for one in names), Round.kit_name.label("kit"), Round.decision_today]
    query = filtered(select(*columns), wanted)
    if not wanted.study:
        query = query.where(Round.set_up.is_(None))
    query = query.order_by(Round.taken.desc()).limit(MOST_DRAWN)
    rows = [tuple(row) for row in db.execute(query)]
    frame = derived(pd.DataFrame(rows, columns=[*names, "kit", "decision"]))
    with _drawing:
        figure = plots.kits_over_time(frame) if name == "kits" else plots.control_charts(frame, name)
        if figure is None:
            raise NotThereError("There are too few rounds for this plot: eight of a kind at least.")
        return plots.as_svg(figure)


def needed(module: str) -> Any:
    """A library of the extra that re-checks bring.

    Raises:
        NotThereError: It is not installed.
    """
    try:
        return importlib.import_module(module)
    except ModuleNotFoundError as wrong:
        raise NotThereError(
            f"The library {wrong.name} is not installed on the service's machine. Install it there with  "
            "pip install 'plumbsight[recheck]'."
        ) from wrong
