"""A results file as `plumbsight recheck` writes it, from frames drawn by `drawn_rounds`."""

from pathlib import Path
from typing import Any

import pandas as pd
from sqlalchemy import insert

from calib_data.results import Failed, Finding, Photo, Round, Run, Value, opened
from calib_data.review.rounds import Rounds
from tests.calib_data.drawn_rounds import HALF, SPREAD

DECLARED_SCALE = 1.0004
PARTS = 20_000  # rows written at once


def store(path: Path, drawn: Rounds) -> None:
    """Write the rounds, with their values, sheets, failed tests, and a finding for each that is undecided."""
    frame = drawn.rounds.reset_index(drop=True)
    ids = pd.Series(range(1, len(frame) + 1), index=frame["round_id"])
    with opened(path, makes=True) as engine, engine.begin() as connection:
        run = {"id": 1, "archive": "shop", "mode": "observations", "versions": {}, "n_listed": len(frame)}
        connection.execute(insert(Run), [run | {"started_at": "2026-07-06T08:00:00Z", "ended_at": None}])
        for first in range(0, len(frame), PARTS):
            part = frame.iloc[first : first + PARTS]
            rows = [_round(i, row) for i, row in zip(part.index + 1, part.to_dict("records"), strict=True)]
            connection.execute(insert(Round), rows)
            connection.execute(insert(Photo), [_photo(i) for i in part.index + 1])
            connection.execute(insert(Value), [value for row in rows for value in _values(row, part)])
        undecided = frame.index[frame["decision"] == "undecided"] + 1
        finding = {"kind": "photo_missing", "about": "p01.jpg", "says": "p01.jpg is missing."}
        connection.execute(insert(Finding), [{"round": int(i), "position": 0, **finding} for i in undecided])
        if len(drawn.sheets):
            connection.execute(insert(Value), list(_sheets(drawn.sheets, ids)))
        if len(drawn.tests):
            connection.execute(insert(Failed), list(_tests(drawn.tests, ids)))


def _round(i: int, row: dict[str, Any]) -> dict[str, Any]:
    make, model = row["phone"].split(" ", 1)
    same = ("archive", "round_id", "bay", "wheelbase_mm", "u_wheelbase_mm", "chi2", "redundancy", "n_photos")
    sides = [f"{u}wheelbase_{side}_mm" for side in ("left", "right") for u in ("", "u_")]
    is_undecided = row["decision"] == "undecided"
    plain = [column.name for column in Round.__table__.columns if column.computed is None]
    return dict.fromkeys(plain) | {
        "id": i,
        "run_id": 1,
        "set_id": row["round_id"],
        "number": 1,
        "mode": "observations",
        "fingerprint": "",
        "software": "",
        "is_copy": False,
        "is_last": True,
        "taken": f"{row['taken']:%Y-%m-%dT%H:%M:%S.%fZ}",
        "visit": i,
        "shop": "shop",
        "kind": "first",
        "person": "technician",
        "store_id": row["shop"],
        "study": row["study"],
        "set_up": row["set_up"],
        "by": row["person"],
        "phone_make": make,
        "phone_model": model,
        "n_phones": 1,
        "kit_name": row["kit"],
        "vehicle_label": row["vehicle"],
        "n_photos_used": row["n_photos"],
        "n_plates": 12,
        "rms_px": 0.05,
        "decision_signed": row["decision"],
        "decision_today": row["decision"],
        "outcome": "photo_missing" if is_undecided else "agrees",
        "says": "",
        "seconds": 0.4,
        **{name: row[name] for name in (*same, *sides)},
        "_values": {key: (row[key], row[f"u_{key}"]) for key in SPREAD},
    }


def _photo(i: int) -> dict[str, Any]:
    plates = [[11, 40, 0.9, 0.05, 100, 200, 300, 420], [22, 12, 2.4, 0.2, 700, 200, 790, 260]]
    level = {"name": "p01.jpg", "n": 52, "rms": 1.4, "worst_plate": 22, "worst_rms": 2.4}
    return {"round": i, "position": 0, "plates": plates} | level


def _values(row: dict[str, Any], part: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        _value(row["id"], k, "placement", "board", key, today=today, u_today=u)
        | ({"nominal": 0.0, "minus": HALF[key], "plus": HALF[key]} if key in HALF else {})
        for k, (key, (today, u)) in enumerate(row.pop("_values").items())
    ]


def _value(round_id: int, position: int, subject: str, name: str, key: str, **more: Any) -> dict[str, Any]:
    columns = [column.name for column in Value.__table__.columns]
    row = dict.fromkeys(columns) | {"round": round_id, "position": position, "says": ""}
    return row | {"subject": subject, "name": name, "key": key} | more


def _sheets(sheets: pd.DataFrame, ids: pd.Series) -> Any:
    for k, row in enumerate(sheets.itertuples()):
        scale = DECLARED_SCALE * (1 + row.off)
        yield _value(
            int(ids[row.round_id]),
            100 + k,
            "sheet",
            str(row.plate),
            "printed_scale",
            declared=DECLARED_SCALE,
            today=scale,
            u_today=DECLARED_SCALE * row.u_off,
        )


def _tests(tests: pd.DataFrame, ids: pd.Series) -> Any:
    for k, row in enumerate(tests.rename(columns={"name": "test"}).itertuples()):
        yield {"round": int(ids[row.round_id]), "position": k, "name": row.test, "says": row.says}
