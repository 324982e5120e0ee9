"""The frames that all statistics read: rounds, their sheets' printed scales, and the tests that failed.

| column of `rounds` | what it is |
|---|---|
| archive, round_id, taken | which round; taken as a time, UTC |
| bay, phone, kit, vehicle | kit with its revision, vehicle by its model |
| shop | which store it is from, else missing |
| study, set_up, person | of a study: its name, which set-up, and who, by a sign; else missing |
| wheelbase_mm, u_wheelbase_mm | declared |
| wheelbase_left_mm, wheelbase_right_mm and their `u_` | measured |
| chi2, redundancy, n_photos | of the adjustment |
| distance_mm, u_distance_mm, distance_mm_nominal | each value, its u and nominal value |
| distance_mm_half | half of its tolerance's width |
| decision | of the round, as measured today; missing where it could not be measured |

`sheets`: round_id, plate (-1: what all sheets have in common), off (printed scale as the photos have it, over
the declared one, less 1), u_off. `tests`: round_id, name, says of each consistency test that failed, the
likeliest cause first; before them, by its outcome's name, what a re-check saw for certain.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from calib_data.formats import VALUE_KEYS

DAYS_A_MONTH = 30.4375
GROUPS = ("bay", "phone", "kit")
# Outcomes of calib_data.recheck that need no statistics: bytes that are no longer those that were signed.
CERTAIN = ("record_broken", "photo_altered")


@dataclass(frozen=True, eq=False)
class Rounds:
    """Rounds that were measured again."""

    rounds: pd.DataFrame
    sheets: pd.DataFrame
    tests: pd.DataFrame


def everyday(rounds: pd.DataFrame) -> pd.DataFrame:
    """The rounds of jobs, those of studies left out.

    Rounds of one set-up have its kit, bay, vehicle and target's true place in common. Counted one by one,
    they would weigh these by how often the set-up was repeated, as if each had been another job.
    """
    return rounds[rounds["set_up"].isna()] if "set_up" in rounds else rounds


def value_keys(rounds: pd.DataFrame) -> list[str]:
    """The values that these rounds have."""
    return [key for key in VALUE_KEYS if key in rounds]


def derived(rounds: pd.DataFrame) -> pd.DataFrame:
    """The rounds with what is judged, one row each.

    - `months` since the first round;
    - `scale_off`: log of the measured wheelbase over the declared one, and its u from the photos;
    - `level`: log of the residuals' size over what they should be, half the log of chi2 / redundancy;
    - `log_u`: log of the lateral u, the one that answers most to how the photos were taken;
    - `off_...`: each value less its nominal one (pitch and roll: less zero where nothing is required);
    - `is_poor`: undecided, or not measured at all.
    """
    out = rounds.copy()
    out["taken"] = pd.to_datetime(out["taken"], utc=True)
    out["months"] = (out["taken"] - out["taken"].min()) / pd.Timedelta(days=DAYS_A_MONTH)
    left, right = _number(out, "wheelbase_left_mm"), _number(out, "wheelbase_right_mm")
    u_sides = [_number(out, f"u_wheelbase_{side}_mm") for side in ("left", "right")]
    out["measured_wheelbase_mm"] = pd.concat([left, right], axis=1).mean(axis=1)
    out["scale_off"] = np.log(out["measured_wheelbase_mm"] / _number(out, "wheelbase_mm"))
    # Both sides err together, by the sheets' scale; their mean is no better than either.
    out["u_scale_off"] = pd.concat(u_sides, axis=1).mean(axis=1) / out["measured_wheelbase_mm"]
    out["level"] = 0.5 * np.log(_number(out, "chi2") / _number(out, "redundancy"))
    out["log_u"] = np.log(_number(out, "u_lateral_mm"))
    for key in value_keys(out):
        nominal = _number(out, f"{key}_nominal")
        if key in ("pitch_deg", "roll_deg"):
            nominal = nominal.fillna(0.0)
        off = _number(out, key) - nominal
        out[f"off_{key}"] = (off + 180) % 360 - 180 if key.endswith("_deg") else off
    out["is_poor"] = out["decision"].isna() | (out["decision"] == "undecided")
    return out


def _number(frame: pd.DataFrame, column: str) -> pd.Series:
    """A column as numbers; nan where nothing is known, or nothing of the kind was measured."""
    if column not in frame:
        return pd.Series(np.nan, frame.index)
    return frame[column].astype(float)
