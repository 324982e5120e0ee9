"""Frames of rounds drawn from plain distributions, in milliseconds, with a fault or without."""

import numpy as np
import pandas as pd

from calib_data.review.rounds import Rounds

HALF = {"distance_mm": 5.0, "lateral_mm": 4.0, "height_mm": 4.0, "yaw_deg": 0.3}
SPREAD = {"distance_mm": 3.0, "lateral_mm": 3.0, "height_mm": 3.0} | dict.fromkeys(
    ("yaw_deg", "pitch_deg", "roll_deg"), 0.15
)
MODELS = {"Alder": 2550.0, "Birch": 2710.0, "Cedar van": 2930.0}
N_SHEETS = 6


def draw(rng: np.random.Generator, n: int, *faults: str) -> Rounds:
    """Rounds `r0` and on, over six months. Faults as the tests name them; the one round is r17."""
    frame = pd.DataFrame(
        {
            "archive": "shop",
            "round_id": [f"r{i}" for i in range(n)],
            "taken": pd.Timestamp("2026-01-05", tz="UTC") + pd.to_timedelta(np.linspace(0, 180, n), unit="D"),
            "bay": rng.choice(["bay 1", "bay 2", "bay 3"], n),
            "phone": rng.choice(["Lumora L2", "Vireo Seven", "Oriole K1"], n),
            "kit": rng.choice(["van 1", "van 2", "hall"], n),
            "vehicle": rng.choice(list(MODELS), n),
            "shop": "s1",
            "study": None,
            "set_up": None,
            "person": None,
            "n_photos": 8,
            "redundancy": 4000.0,
            "decision": rng.choice(["conforming", "undecided"], n, p=[0.8, 0.2]),
        }
    )
    frame["wheelbase_mm"] = frame["vehicle"].map(MODELS)
    frame["u_wheelbase_mm"] = 4.0
    months = np.linspace(0, 180, n) / 30.4375
    kit2, bay2 = frame["kit"] == "van 2", frame["bay"] == "bay 2"
    phone2, one = frame["phone"] == "Vireo Seven", frame["round_id"] == "r17"
    off = 6e-4 * rng.normal(size=n)
    off += np.where(kit2 & ("kit drift" in faults), -5e-4 * months, 0.0)
    off += np.where(kit2 & ("kit scale" in faults), 2e-3, 0.0)
    off += np.where((frame["vehicle"] == "Birch") & ("declared wheelbase" in faults), 5e-3, 0.0)
    off += np.where(one & ("another vehicle" in faults), 0.04, 0.0)
    for side in ("left", "right"):
        frame[f"wheelbase_{side}_mm"] = frame["wheelbase_mm"] * np.exp(off)
        frame[f"u_wheelbase_{side}_mm"] = 0.8
    level = 0.012 * rng.normal(size=n)
    level += np.where(phone2 & ("phone lens" in faults), 0.06, 0.0)
    level += np.where(one & ("altered photo" in faults), 0.2, 0.0)
    frame["chi2"] = frame["redundancy"] * np.exp(2 * level)
    for key, spread in SPREAD.items():
        frame[key] = spread * rng.normal(size=n)
        frame[f"{key}_nominal"] = 0.0 if key in HALF else np.nan
        frame[f"{key}_half"] = HALF.get(key, np.nan)
        frame[f"u_{key}"] = 0.4 * np.exp(0.2 * rng.normal(size=n))
    frame["pitch_deg"] += np.where(bay2 & ("bay floor" in faults), 0.4, 0.0)
    frame["lateral_mm"] += np.where(bay2 & ("bay line" in faults), 3.0, 0.0)
    frame["u_lateral_mm"] *= np.where(bay2 & ("large u" in faults), 1.6, 1.0)
    poor = (bay2 & ("undecided" in faults)) | (phone2 & ("undecided phone" in faults))
    frame.loc[poor & (rng.random(n) < 0.7), "decision"] = "undecided"
    return Rounds(frame, _sheets(rng, frame, months, "sheet drift" in faults), _tests(faults))


def _sheets(rng: np.random.Generator, frame: pd.DataFrame, months: np.ndarray, drifts: bool) -> pd.DataFrame:
    plate = np.tile(np.arange(N_SHEETS), len(frame))
    off = 5e-5 * rng.normal(size=len(plate))
    off += np.where(
        (plate == 3) & np.repeat(frame["kit"] == "van 2", N_SHEETS) & drifts,
        3e-4 * np.repeat(months, N_SHEETS),
        0,
    )
    return pd.DataFrame(
        {"round_id": np.repeat(frame["round_id"], N_SHEETS), "plate": plate, "off": off, "u_off": 3e-4}
    )


def _tests(faults: tuple[str, ...]) -> pd.DataFrame:
    rows = []
    if "altered photo" in faults:
        rows.append(("r17", "lens of each photo", "Photo p03.jpg does not fit the lens of the others."))
    if "own test" in faults:
        rows.append(("r17", "floor", "Floor plate 22 is +6.0 mm off the plane through the others."))
    return pd.DataFrame(rows, columns=["round_id", "name", "says"])
