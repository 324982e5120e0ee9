"""How fast a reviewer's page of 100,000 re-measured rounds answers, whatever is filtered and ordered.

`python -m tools.benchmarks.bench_review` (`--rounds N`). The rounds are drawn, not measured. Each line: the
median and the slowest of the pages asked for, in ms of processor time, as the service's functions give them;
then the same page by counting rows off (OFFSET) instead of by its place (keyset), as a ratio. Exports are
told in rounds a second.
"""

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import insert, select

from api.review import taking_away
from api.review.remeasured import PER_PAGE, Order, Wanted, filtered, orders, page
from calib_data.results import Round, Run, opened, reading, settle

PARTS = 20_000
N_PAGES = 15
FILTERS = (
    ("all rounds", Wanted()),
    ("one bay", Wanted(bay="bay 3")),
    ("a bay and a kit", Wanted(bay="bay 3", kit_name="van 2")),
    (
        "a bay, a kit, a phone, undecided",
        Wanted(bay="bay 3", kit_name="van 2", phone="Vireo Seven", decision_today="undecided"),
    ),
    ("a rare outcome", Wanted(outcome="photo_altered")),
    ("a week", Wanted(since="2026-03-02", until="2026-03-08")),
    ("nothing fits", Wanted(bay="bay 3", outcome="record_broken")),
)


def plant(path: Path, n: int) -> None:
    """Write a table of drawn rounds, as two years of forty bays have them."""
    rng = np.random.default_rng(1)
    with opened(path, makes=True) as engine, engine.begin() as connection:
        run = {"id": 1, "archive": "shops", "mode": "observations", "versions": {}, "started_at": ""}
        connection.execute(insert(Run), [run | {"ended_at": None, "n_listed": n, "n_measured": n}])
        for first in range(0, n, PARTS):
            connection.execute(insert(Round), list(_rounds(rng, first, min(PARTS, n - first))))
    with opened(path, makes=True) as engine:
        settle(engine)


def _rounds(rng: np.random.Generator, first: int, n: int) -> Iterator[dict[str, Any]]:
    plain = [column.name for column in Round.__table__.columns if column.computed is None]
    days = np.datetime64("2025-01-01T08:00:00") + (rng.uniform(0, 730, n) * 86_400).astype("timedelta64[s]")
    phones = [("Lumora", "L2"), ("Vireo", "Seven"), ("Oriole", "K1"), ("Vireo", "Eight")]
    decisions, outcomes = ["conforming", "nonconforming", "undecided"], ["agrees", "differs", "photo_altered"]
    for i in range(n):
        make, model = phones[rng.integers(4)]
        wheelbase_mm = float(2450 + 50 * rng.integers(12))
        off = wheelbase_mm * (1 + 6e-4 * rng.normal())
        row = dict.fromkeys(plain) | {
            "id": first + i + 1,
            "run_id": 1,
            "archive": "shops",
            "set_id": f"{first + i:08x}",
            "number": 1,
            "mode": "observations",
            "fingerprint": "0" * 64,
            "software": "0" * 64,
            "says": "All values agree.",
            "round_id": f"{rng.integers(2**62):032x}",
            "is_copy": False,
            "is_last": True,
            "seconds": 0.4,
            "taken": f"{days[i]}Z",
            "bay": f"bay {rng.integers(40)}",
            "kit_name": f"van {rng.integers(60)}",
            "phone_make": make,
            "phone_model": model,
            "vehicle_label": f"model {rng.integers(200)}",
            "wheelbase_mm": wheelbase_mm,
            "wheelbase_left_mm": off,
            "wheelbase_right_mm": off,
            "chi2": float(4000 + 90 * rng.normal()),
            "redundancy": 4000.0,
            "n_photos": int(rng.integers(6, 14)),
            "decision_today": str(rng.choice(decisions, p=[0.6, 0.1, 0.3])),
            "outcome": str(rng.choice(outcomes, p=[0.989, 0.01, 0.001])),
            "largest_off_u": float(rng.normal() * 1e-8),
        }
        yield row


def timed(one: Callable[[], Any]) -> tuple[float, Any]:
    """Milliseconds of processor time and the answer: what else the machine does is left out."""
    start = time.process_time()
    answer = one()
    return 1000 * (time.process_time() - start), answer


def walk(path: Path, wanted: Wanted, order: Order) -> list[float]:
    """Milliseconds of the first pages in an order, each on a session of its own, as requests have it."""
    took, after = [], ""
    for _ in range(N_PAGES):
        with reading(path) as db:
            ms, found = timed(lambda db=db, after=after: page(db, wanted, order, True, after))  # type: ignore[misc]
        took.append(ms)
        after = found.after
        if not after:
            break
    return took


def deep(path: Path, n: int) -> tuple[float, float]:
    """A page from the middle of all, by its place and by counting rows off."""
    with reading(path) as db:
        middle = list(
            db.scalars(select(Round).order_by(Round.taken.desc(), Round.id.desc()).offset(n // 2).limit(1))
        )[0]
        after = f"{middle.taken},{middle.id}"
        by_place = statistics.median(
            timed(lambda: page(db, Wanted(), "taken", True, after))[0] for _ in range(5)
        )
        ordered = filtered(select(Round), Wanted()).order_by(Round.taken.desc(), Round.id.desc())
        counted = ordered.offset(n // 2).limit(PER_PAGE)
        by_offset = statistics.median(timed(lambda: list(db.scalars(counted)))[0] for _ in range(5))
    return by_place, by_offset


def main() -> None:
    words = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    words.add_argument("--rounds", type=int, default=100_000)
    given = words.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "results.sqlite"
        plant(path, given.rounds)
        print(
            f"{given.rounds} rounds, {path.stat().st_size / 1e6:.0f} MB; "
            "ms of a page (processor): median, slowest"
        )
        slowest = 0.0
        for name, wanted in FILTERS:
            for order in orders():
                took = walk(path, wanted, order)  # type: ignore[arg-type]
                slowest = max(slowest, *took)
                print(f"{name:34} {order:16} {statistics.median(took):7.1f} {max(took):7.1f}")
        by_place, by_offset = deep(path, given.rounds)
        print(f"slowest of all: {slowest:.0f} ms")
        print(
            f"a page from the middle: {by_place:.1f} ms by its place, "
            f"{by_offset / by_place:.1f} times that by OFFSET"
        )
        ms, n_bytes = timed(lambda: sum(len(piece) for piece in taking_away.as_csv(path, Wanted())))
        print(f"CSV: {given.rounds / ms * 1000:.0f} rounds a second, {n_bytes / 1e6:.0f} MB")
        ms, _ = timed(lambda: taking_away.write_parquet(path, Wanted(), Path(folder) / "r.parquet"))
        print(f"Parquet: {given.rounds / ms * 1000:.0f} rounds a second")


if __name__ == "__main__":
    main()
