"""A signed result against today's measurement of the same round: what reproduces, and what does not.

Why the limits are those of reproduction, and no joint uncertainty. Two measurements of one vehicle from
*different* photos have independent image noise, and their difference has, by JCGM 100, 5.2.2, the variance
u1^2 + u2^2 - 2 cov(1, 2); a few tenths of u are then nothing. Here the photos are the *same*, with the same
kit, and only the software differs: every error of photo, print, clamp and floor is in both numbers alike,
covariance is complete, and the variance of the difference is zero but for arithmetic. So what counts is what
the arithmetic leaves: from observations a millionth of u, which is the last digit that a result keeps; from
photos a twentieth of u, since another decoder may round grey levels otherwise. A root-sum-square of the two
u would let a change of the software by more than a whole u pass as agreement.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from vision.adjust import Adjustment
from vision.moved import LATER
from vision.parameters import U_UNMEASURED_SCALE

Json = dict[str, Any]
Mode = Literal["observations", "photos"]

# In u of the signed value; RECORD.md promises both.
LIMIT_U: Mapping[Mode, float] = {"observations": 1e-6, "photos": 0.05}
# A step of the last digit that a result keeps may be all of 1e-6 u, and its double a hair more.
_HAIR = 1 + 1e-6
# Which libraries turn a photo's bytes into grey levels.
DECODERS = ("opencv-python-headless", "pillow-heif")

# What can come of a round, the gravest first: a round's outcome is the first that it has.
OUTCOMES: Mapping[str, str] = {
    "record_broken": "record broken",
    "photo_altered": "photo altered",
    "not_measured": "could not be measured",
    "decision_changed": "decision changed",
    "differs": "differs",
    "photo_missing": "photo missing",
    "kit_changed": "kit or placement changed since",
    "photo_removed": "photo removed by order",
    "not_signed": "not signed",
    "agrees": "agrees",
}
# What is worth knowing beside an outcome, and makes none.
NOTES: Mapping[str, str] = {
    "other_software": "measured with other software then",
    "later_revision": "the kit has a later revision",
}
# Outcomes that are as they should be; any other asks for somebody's eyes.
SOUND = ("agrees", "not_signed", "photo_removed")


@dataclass(frozen=True)
class Finding:
    """Something noticed in a round.

    Attributes:
        kind: A key of OUTCOMES or NOTES.
        about: The photo, value or file; empty: the round as a whole.
    """

    kind: str
    about: str
    says: str


@dataclass(frozen=True)
class ComparedValue:
    """A figure then and today; None where there is none, and `says` tells why.

    Attributes:
        subject: placement, relation, shift, vehicle, sheet or ruler; `name` tells which of them.
        off_u: today - signed, in the signed u.
    """

    subject: str
    name: str
    key: str
    declared: float | None = None
    u_declared: float | None = None
    signed: float | None = None
    u_signed: float | None = None
    today: float | None = None
    u_today: float | None = None
    off_u: float | None = None
    nominal: float | None = None
    minus: float | None = None
    plus: float | None = None
    decision_signed: str | None = None
    decision_today: str | None = None
    p_conform_today: float | None = None
    says: str = ""

    @property
    def title(self) -> str:
        """As people are told which value it is."""
        return f"{self.key} of {self.name}" if self.name else self.key


@dataclass(frozen=True)
class Compared:
    """Two results side by side.

    Attributes:
        largest: The value that is farthest off, in u; None where nothing can be compared.
    """

    values: tuple[ComparedValue, ...]
    findings: tuple[Finding, ...]
    largest: ComparedValue | None


def outcome_of(findings: Sequence[Finding]) -> str:
    """The gravest of what was found; a round of which nothing is to be said agrees."""
    kinds = {finding.kind for finding in findings}
    return next(kind for kind in OUTCOMES if kind in kinds or kind == "agrees")


def in_words(findings: Sequence[Finding], compared: Compared | None) -> str:
    """What decided the outcome, in a sentence or more."""
    outcome = outcome_of(findings)
    said = [finding for finding in findings if finding.kind == outcome]
    if said:
        return " ".join(_alike_once(said))
    if compared is None or compared.largest is None:
        return "There is no value to compare, then or today."
    off = abs(compared.largest.off_u or 0.0)
    return f"All values reproduce; the largest difference is {off:.1g} u, in {compared.largest.title}."


def _alike_once(findings: Sequence[Finding]) -> Iterator[str]:
    """What is said of several photos or values in the same words is said of the first."""
    by_words: dict[str, list[Finding]] = {}
    for finding in findings:
        by_words.setdefault(finding.says.removeprefix(finding.about), []).append(finding)
    for first, *more in by_words.values():
        others = {one.about for one in more} - {first.about}
        yield f"{first.says} The same holds for {len(others)} more." if others else first.says


# --- comparing ------------------------------------------------------------------------------------


def compare_with_signed(signed: Json | None, today: Json | None, mode: Mode, vehicle: Json) -> Compared:
    """Today's result against the signed one.

    Args:
        signed: plumbsight.result/1 of the record; None: the round was signed as not measured, or there is
            no record. As `today`, with the `shifts` that end in the round, where there are any.
        today: As measured now; None: it could not be.
        vehicle: As declared, for what it says of wheelbase and tracks.
    """
    values = (
        *_required_values("placement", signed, today),
        *_required_values("relation", signed, today),
        *_required_values("shift", signed, today),
        *_vehicle_values(signed, today, vehicle),
    )
    off = [value for value in values if value.off_u is not None]
    largest = max(off, key=lambda value: abs(value.off_u or 0.0), default=None)
    if signed is None or today is None:
        return Compared(values, (), None)
    findings = (
        *_changed_decisions(signed, today, values),
        *_differences(values, mode),
        *other_software(signed.get("made_with") or {}, today["made_with"], mode),
    )
    return Compared(values, findings, largest)


def _required_values(subject: str, signed: Json | None, today: Json | None) -> Iterator[ComparedValue]:
    sides = [{one["name"]: one for one in (side or {}).get(f"{subject}s", ())} for side in (signed, today)]
    for name in dict.fromkeys((*sides[0], *sides[1])):
        then, now = (side.get(name, {}).get("values", {}) for side in sides)
        for key in dict.fromkeys((*then, *now)):
            yield _compared(subject, name, key, then.get(key, {}), now.get(key, {}))


def _vehicle_values(signed: Json | None, today: Json | None, vehicle: Json) -> Iterator[ComparedValue]:
    then, now = ((side or {}).get("vehicle", {}) for side in (signed, today))
    for key in dict.fromkeys((*then, *now)):
        stem = "wheelbase" if key.startswith("wheelbase") else key.removesuffix("_mm")
        declared = (vehicle.get(f"{stem}_mm"), vehicle.get(f"u_{stem}_mm"))
        yield _compared("vehicle", "", key, then.get(key, {}), now.get(key, {}), declared)


def _compared(
    subject: str,
    name: str,
    key: str,
    then: Json,
    now: Json,
    declared: tuple[float | None, float | None] = (None, None),
) -> ComparedValue:
    asked = {key: now.get(key, then.get(key)) for key in ("nominal", "minus", "plus")}
    return ComparedValue(
        subject,
        name,
        key,
        *declared,
        then.get("value"),
        then.get("u"),
        now.get("value"),
        now.get("u"),
        _off_u(key, then, now),
        **asked,
        decision_signed=then.get("decision"),
        decision_today=now.get("decision"),
        p_conform_today=now.get("p_conform"),
        says=now.get("says") or then.get("says") or "",
    )


def _off_u(key: str, then: Json, now: Json) -> float | None:
    if then.get("value") is None or now.get("value") is None:
        return None
    off = now["value"] - then["value"]
    if key.endswith("_deg"):
        off = (off + 180) % 360 - 180
    return off / then["u"]


def _changed_decisions(signed: Json, today: Json, values: Sequence[ComparedValue]) -> Iterator[Finding]:
    if signed["decision"] != today["decision"]:
        says = f"The round was signed as {signed['decision']}; measured today it is {today['decision']}."
        yield Finding("decision_changed", "", says)
    now_of = {one["name"]: one["decision"] for one in today.get("shifts", ())}
    for one in signed.get("shifts", ()):
        if one["decision"] != now_of[one["name"]]:
            says = f"{one['name']} was signed as {one['decision']}; today it is {now_of[one['name']]}."
            yield Finding("decision_changed", one["name"], says)
    for value in values:
        if value.decision_signed != value.decision_today:
            then, now = value.decision_signed or "not required", value.decision_today or "not required"
            says = f"{value.title} was signed as {then}; measured today it is {now}."
            yield Finding("decision_changed", value.title, says)


def _differences(values: Sequence[ComparedValue], mode: Mode) -> Iterator[Finding]:
    """A finding for each value beyond the limit, the largest first."""
    limit = LIMIT_U[mode] * _HAIR
    for value in sorted(values, key=lambda value: -abs(value.off_u or math.inf)):
        if (value.signed is None) != (value.today is None):
            when = "then and not today" if value.today is None else "today and not then"
            says = f"{value.title} was measured {when}. {value.says}".strip()
            yield Finding("differs", value.title, says)
        elif value.off_u is not None and abs(value.off_u) > limit:
            says = (
                f"{value.title} is {value.today:g} today and was signed as {value.signed:g}: off by "
                f"{abs(value.off_u):.2g} u (allowed: {LIMIT_U[mode]:g} u)."
            )
            yield Finding("differs", value.title, says)
        elif value.u_signed and value.u_today and abs(value.u_today / value.u_signed - 1) > limit:
            says = f"The u of {value.title} is {value.u_today:g} today and was signed as {value.u_signed:g}."
            yield Finding("differs", value.title, says)


def other_software(then: Mapping[str, str], today: Mapping[str, str], mode: Mode) -> Iterator[Finding]:
    """A note that names what changed; of a decoder it says so, since that alone may move the points."""
    changed = [name for name in today if then.get(name) != today[name]]
    for name in changed:
        what = "the decoder" if mode == "photos" and name in DECODERS else "the library"
        who = "plumbsight" if name == "plumbsight" else f"{what} {name}"
        says = f"Then it was {who} {then.get(name, 'of an unknown version')}, today {today[name]}."
        yield Finding("other_software", name, says)


# --- what an adjustment tells beside the result ---------------------------------------------------


def sheet_values(adjustment: Adjustment) -> Iterator[ComparedValue]:
    """Each sheet's printed scale as the photos and its ruler have it, and what all sheets have in common.

    The u of a sheet holds both its own error and the common one. Where something moved, a plate counts once.
    """
    o, u, kit = adjustment.network.observed, adjustment.network.unknowns, adjustment.network.kit
    first, own, ruler = 6 * u.n_poses, u.plate_values()[:, 0], u.ruler_value()
    values, C = adjustment.state.values, adjustment.covariance
    for k, number in enumerate(o.plates):
        if number >= LATER:
            continue
        plate = kit.plates[number]
        declared = float(np.mean(plate.printed_scale_xy))
        rows = np.array([first + own[k], first + ruler])
        u_found = float(np.sqrt(C[np.ix_(rows, rows)].sum()))
        u_declared = plate.u_printed_scale if plate.scale_is_measured else U_UNMEASURED_SCALE
        yield ComparedValue(
            "sheet",
            str(number),
            "printed_scale",
            declared,
            declared * math.hypot(u_declared, kit.u_ruler_scale),
            today=declared * (1 + float(values[own[k]] + values[ruler])),
            u_today=declared * u_found,
        )
    u_ruler = float(np.sqrt(C[first + ruler, first + ruler]))
    yield ComparedValue(
        "ruler", "", "scale", 1.0, kit.u_ruler_scale, today=1 + float(values[ruler]), u_today=u_ruler
    )


def residual_rms_px(adjustment: Adjustment) -> float:
    """Root mean square of all residuals that were used, per coordinate, in px."""
    block = adjustment.saddles
    used = block.observed.used
    squares = (block.residuals_px(adjustment.state) ** 2).sum(-1)
    return float(np.sqrt(squares[used].sum() / max(2 * int(used.sum()), 1)))
