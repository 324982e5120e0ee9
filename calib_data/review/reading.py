"""A re-check's results -> the frames that the statistics read."""

from pathlib import Path

import pandas as pd
from sqlalchemy import ColumnElement, Connection, Select, case, func, select

from calib_data.results import Failed, Finding, Round, Value, opened
from calib_data.review.rounds import CERTAIN, Rounds

_OF_ROUND = {
    "id": Round.id,
    "archive": Round.archive,
    "round_id": Round.round_id,
    "taken": Round.taken,
    "bay": Round.bay,
    "kit_name": Round.kit_name,
    "kit_revision": Round.kit_revision,
    "phone": Round.phone,
    "vehicle": Round.vehicle,
    "shop": Round.store_id,
    "study": Round.study,
    "set_up": Round.set_up,
    "person": Round.by,
    "wheelbase_mm": Round.wheelbase_mm,
    "u_wheelbase_mm": Round.u_wheelbase_mm,
    "wheelbase_left_mm": Round.wheelbase_left_mm,
    "u_wheelbase_left_mm": Round.u_wheelbase_left_mm,
    "wheelbase_right_mm": Round.wheelbase_right_mm,
    "u_wheelbase_right_mm": Round.u_wheelbase_right_mm,
    "chi2": Round.chi2,
    "redundancy": Round.redundancy,
    "n_photos": Round.n_photos,
    "decision": Round.decision_today,
}
# The set's default where nothing is declared (FORMATS.md).
U_WHEELBASE_MM = 5.0


def read_rounds(results: Path) -> Rounds:
    """The rounds of a results file, each once: as measured from its photos, else from its observations.

    Raises:
        InputFileError: It is not there, no results file, or of another version.
    """
    with opened(results, makes=False) as engine, engine.connect() as connection:
        rounds = _frame(connection, _each_once())
        of_round = rounds.set_index("id")["round_id"]
        values = _frame(connection, _values("placement"))
        sheets = _frame(connection, _values("sheet"))
        rulers = _frame(connection, _values("ruler"))
        noticed = _frame(connection, _noticed())
        tests = _frame(connection, select(Failed.round, Failed.name, Failed.says, Failed.position))
    frame = rounds.join(_wide(values), on="id")
    frame["kit"] = _kits(frame)
    frame["u_wheelbase_mm"] = frame["u_wheelbase_mm"].fillna(U_WHEELBASE_MM)
    # What is certain comes before what is likely.
    tests = pd.concat([noticed, tests.sort_values(["round", "position"])])
    tests = _of_known(tests, of_round)[["round_id", "name", "says"]]
    return Rounds(frame, _sheets(pd.concat([sheets, rulers.assign(name="-1")]), of_round), tests)


def read_study(results: Path, study: str) -> pd.DataFrame:
    """The rounds of the study of this name, as `read_rounds` has them, and no others read.

    Raises:
        InputFileError: As of `read_rounds`.
    """
    of_study = Round.study == study
    with opened(results, makes=False) as engine, engine.connect() as connection:
        rounds = _frame(connection, _each_once(of_study))
        query = _values("placement").where(Value.round.in_(select(Round.id).where(of_study)))
        values = _frame(connection, query)
    rounds["kit"] = _kits(rounds)
    return rounds.join(_wide(values), on="id")


def _frame(connection: Connection, query: Select) -> pd.DataFrame:
    return pd.read_sql(query, connection)


def _each_once(*of_these: ColumnElement[bool]) -> Select:
    rank = func.row_number().over(
        partition_by=(Round.archive, Round.set_id, Round.number),
        order_by=case((Round.mode == "photos", 0), else_=1),
    )
    all_of = select(*(column.label(name) for name, column in _OF_ROUND.items()), rank.label("rank"))
    ranked = all_of.where(Round.is_copy.is_(False), *of_these).subquery()
    return select(*(ranked.c[name] for name in _OF_ROUND)).where(ranked.c.rank == 1).order_by(ranked.c.taken)


def _noticed() -> Select:
    """What a re-check saw for certain, before anything was measured."""
    columns = (Finding.round, Finding.kind.label("name"), Finding.says, Finding.position)
    return select(*columns).where(Finding.kind.in_(CERTAIN)).order_by(Finding.round, Finding.position)


def _values(subject: str) -> Select:
    columns = (Value.round, Value.position, Value.name, Value.key, Value.declared, Value.today)
    more = (Value.u_today, Value.nominal, Value.minus, Value.plus)
    return select(*columns, *more).where(Value.subject == subject)


def _wide(values: pd.DataFrame) -> pd.DataFrame:
    """One row a round: each value of its first placement, u, nominal and half of its tolerance's width."""
    first = values.sort_values(["round", "position"]).drop_duplicates(["round", "key"])
    first = first.assign(half=(first["minus"] + first["plus"]) / 2)
    names = {"today": "{}", "u_today": "u_{}", "nominal": "{}_nominal", "half": "{}_half"}
    parts = []
    for column, name in names.items():
        wide = first.pivot(index="round", columns="key", values=column)
        parts.append(wide.rename(columns=name.format))
    return pd.concat(parts, axis=1)


def _sheets(sheets: pd.DataFrame, of_round: pd.Series) -> pd.DataFrame:
    known = _of_known(sheets, of_round)
    return pd.DataFrame(
        {
            "round_id": known["round_id"],
            "plate": known["name"].astype(int),
            "off": known["today"] / known["declared"] - 1,
            "u_off": known["u_today"] / known["declared"],
        }
    )


def _of_known(frame: pd.DataFrame, of_round: pd.Series) -> pd.DataFrame:
    """The rows of rounds that are read, with the round's own id."""
    return frame.assign(round_id=frame["round"].map(of_round)).dropna(subset=["round_id"])


def _kits(frame: pd.DataFrame) -> pd.Series:
    """Name and revision: a sheet measured anew is another sheet."""
    revision = frame["kit_revision"].map(lambda n: "" if pd.isna(n) else f", revision {int(n)}")
    return (frame["kit_name"].fillna("") + revision).replace("", None)
