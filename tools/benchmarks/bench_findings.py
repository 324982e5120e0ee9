"""How long it takes to say what is off in an archive of 100,000 re-measured rounds.

`python -m tools.benchmarks.bench_findings` (`--rounds N`). The rounds are drawn, not measured: two years of
forty bays with sixty kits, eight phones and two hundred vehicle models, eight sheets in each round. One kit
drifts, one phone has a poor lens, and one round in a thousand is of another vehicle. Processor time in s.
"""

import argparse
import time

import numpy as np
import pandas as pd

from calib_data.review.findings import find
from calib_data.review.rounds import Rounds

VALUES = {"distance_mm": 3.0, "lateral_mm": 3.0, "height_mm": 3.0} | dict.fromkeys(
    ("yaw_deg", "pitch_deg", "roll_deg"), 0.15
)
N_SHEETS = 8
DRIFT_PER_MONTH = 2e-4


def drawn(rng: np.random.Generator, n: int) -> Rounds:
    """Rounds with a drift, a lens and foreign vehicles among them."""
    days = np.sort(rng.uniform(0, 730, n))
    vehicle, kit, phone = rng.integers(200, size=n), rng.integers(60, size=n), rng.integers(8, size=n)
    frame = pd.DataFrame(
        {
            "archive": "shops",
            "round_id": [f"r{i}" for i in range(n)],
            "taken": pd.Timestamp("2025-01-05", tz="UTC") + pd.to_timedelta(days, unit="D"),
            "bay": _named("bay", rng.integers(40, size=n)),
            "phone": _named("phone", phone),
            "kit": _named("kit", kit),
            "vehicle": _named("model", vehicle),
            "n_photos": 8,
            "redundancy": 4000.0,
            "decision": rng.choice(["conforming", "undecided"], n, p=[0.9, 0.1]),
            "wheelbase_mm": 2450.0 + 50 * (vehicle % 12),
            "u_wheelbase_mm": 4.0,
        }
    )
    off = 6e-4 * rng.normal(size=n) - np.where(kit == 7, DRIFT_PER_MONTH * days / 30.4, 0.0)
    off += np.where(rng.random(n) < 1e-3, 0.04, 0.0)
    level = 0.012 * rng.normal(size=n) + np.where(phone == 3, 0.06, 0.0)
    more = {
        f"{side}_mm": frame["wheelbase_mm"] * np.exp(off) for side in ("wheelbase_left", "wheelbase_right")
    }
    more |= {f"u_{key}": 0.8 for key in more}
    more["chi2"] = frame["redundancy"] * np.exp(2 * level)
    for key, spread in VALUES.items():
        more |= {key: spread * rng.normal(size=n), f"u_{key}": 0.4 * np.exp(0.2 * rng.normal(size=n))}
        more |= {f"{key}_nominal": 0.0, f"{key}_half": 5.0 if key.endswith("_mm") else 0.3}
    sheets = pd.DataFrame(
        {
            "round_id": np.repeat(frame["round_id"].to_numpy(), N_SHEETS),
            "plate": np.tile(np.arange(N_SHEETS), n),
            "off": 5e-5 * rng.normal(size=n * N_SHEETS),
            "u_off": 3e-4,
        }
    )
    tests = pd.DataFrame({"round_id": frame["round_id"][:: n // 200], "name": "floor", "says": "Too high."})
    return Rounds(frame.assign(**more), sheets, tests)


def _named(what: str, numbers: np.ndarray) -> list[str]:
    return [f"{what} {i}" for i in numbers]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=100_000)
    n = parser.parse_args().rounds
    measured = drawn(np.random.default_rng(1), n)
    start = time.process_time()
    found = find(measured)
    seconds = time.process_time() - start
    first = ", ".join(f"{one.kind} of {one.subject}" for one in found[:2])
    print(f"{n} rounds: {seconds:.1f} s, {len(found)} findings, the first ones {first}")


if __name__ == "__main__":
    main()
