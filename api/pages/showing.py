"""A result -> what its page shows: values with strips, moves with arrows, budget, in this device's units."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from api.figures import Figures
from api.pages import sketches, views
from api.pages.moves import Said, said_moves, said_of_stand
from api.pages.words import Words
from calib_data.compare import Difference
from calib_data.visit import CountedShift

Json = Mapping[str, Any]
N_CAUSES = 3  # of the budget; nobody betters more than that at once


@dataclass(frozen=True)
class ShownValue:
    """One value of a target.

    Attributes:
        figure, u, interval, required: With this device's unit and decimal mark; empty where there is none.
        decision: One of the standard's three words; empty where nothing is required.
        says: Why it was not measured.
        strip: The interval against the tolerance.
    """

    key: str
    figure: str
    u: str
    interval: str
    required: str
    decision: str
    says: str
    strip: Markup | None
    causes: str


@dataclass(frozen=True)
class ShownPlacement:
    name: str
    counted_from: str
    decision: str
    values: tuple[ShownValue, ...]
    others: tuple[ShownValue, ...]
    moves: tuple[Said, ...]
    says: tuple[str, ...]
    closeup: Markup | None


@dataclass(frozen=True)
class ShownRelation:
    """Two targets together."""

    name: str
    of: tuple[str, ...]
    decision: str
    values: tuple[ShownValue, ...]
    others: tuple[ShownValue, ...]
    moves: tuple[Said, ...]
    says: tuple[str, ...]


@dataclass(frozen=True)
class ShownShift:
    """What is required from one round to another.

    Attributes:
        where: From which placement in which round to which.
        missing: Why it cannot be decided, and what to do.
        is_bare: It has no value to show.
        awaits: What is still to come, in words; it is then not decided yet, and nothing is wrong.
    """

    name: str
    where: str
    decision: str
    values: tuple[ShownValue, ...]
    missing: tuple[str, ...]
    says: tuple[str, ...]
    moves: tuple[Said, ...]
    is_bare: bool
    awaits: str = ""


@dataclass(frozen=True)
class ShownState:
    """Where something moved between photos: the values before, or after."""

    says: str
    placements: tuple[ShownPlacement, ...]
    relations: tuple[ShownRelation, ...]


@dataclass(frozen=True)
class ShownResult:
    decision: str
    placements: tuple[ShownPlacement, ...]
    relations: tuple[ShownRelation, ...]
    states: tuple[ShownState, ...]
    failed: tuple[str, ...]
    passed: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    clamps: str
    not_checked: tuple[str, ...]
    warnings: tuple[str, ...]
    caution: str
    plan: Markup
    side: Markup
    patterns: Markup


def show(
    result: Json, kit_file: Json, words: Words, figures: Figures, *, decides: bool = True
) -> ShownResult:
    """The result as its page shows it; of a study, which decides nothing, as if nothing were required.

    The plan and the side view keep the dimensions that a placement asks for: they are what was measured.
    """
    shown = result if decides else _without_decisions(result)
    return ShownResult(
        decision=shown["decision"],
        placements=tuple(_placement(p, kit_file, words, figures) for p in shown["placements"]),
        relations=tuple(_relations(shown, words, figures)),
        states=tuple(_state(state, kit_file, words, figures) for state in shown["states"]),
        failed=tuple(figures.words(test["says"]) for test in result["tests"] if not test["ok"]),
        passed=tuple(figures.words(test["says"]) for test in result["tests"] if test["ok"]),
        facts=tuple(_facts(result["vehicle"], words, figures)),
        clamps=_clamps(result.get("clamps", {}), words),
        not_checked=tuple(figures.words(says) for says in result["not_checked"]),
        warnings=tuple(figures.words(says) for says in result["warnings"]),
        caution=result["caution"],
        plan=views.plan(result, words, figures),
        side=views.side(result, words, figures),
        patterns=sketches.patterns(),
    )


def _without_decisions(told: Json) -> Json:
    """A result, or a state of one, with no requirement, decision and advice."""

    def plain(part: Json) -> Json:
        asked = ("nominal", "minus", "plus", "decision")
        values = {
            key: {name: one for name, one in value.items() if name not in asked}
            for key, value in part["values"].items()
        }
        return {**part, "values": values, "decision": "none", "advice": [], "says": []}

    parts = {name: [plain(one) for one in told.get(name, ())] for name in ("placements", "relations")}
    return {**told, **parts, "decision": "none", "states": [*map(_without_decisions, told.get("states", ()))]}


def _clamps(clamps: Json, words: Words) -> str:
    """Which check the clamps' eccentricity and tilt are from; empty where they are the kit's."""
    if not clamps:
        return ""
    says = ", ".join(dict.fromkeys(one["says"] for one in clamps.values()))
    return words("result.clamps", wheels=", ".join(words(f"wheel.{wheel}") for wheel in clamps), says=says)


def _state(state: Json, kit_file: Json, words: Words, figures: Figures) -> ShownState:
    placements = tuple(_placement(p, kit_file, words, figures) for p in state["placements"])
    return ShownState(figures.words(state["says"]), placements, tuple(_relations(state, words, figures)))


def _relations(result: Json, words: Words, figures: Figures) -> Iterator[ShownRelation]:
    for one in result.get("relations", ()):
        shown = [
            show_value(key, value, one["budget"].get(key, {}), words, figures)
            for key, value in one["values"].items()
        ]
        yield ShownRelation(
            name=one["name"],
            of=tuple(one["of"]),
            decision=one["decision"],
            values=tuple(value for value in shown if value.decision),
            others=tuple(value for value in shown if not value.decision),
            moves=tuple(Said(figures.words(says)) for says in one["advice"]),
            says=_unless_out(one, figures),
        )


def _unless_out(part: Json, figures: Figures) -> tuple[str, ...]:
    """What is said of the whole; of what is out, the joint risk tells nothing more."""
    is_out = part["decision"] == "nonconforming"
    return () if is_out else tuple(figures.words(says) for says in part["says"])


def show_shift(shift: CountedShift, words: Words, figures: Figures) -> ShownShift:
    """A shift as the visit's page shows it."""
    told = shift.result
    where = {"first": told["from"], "second": told["to"], "before": shift.before, "after": shift.after}
    is_bare = all(value["value"] is None for value in told["values"].values())
    missing = tuple(figures.words(says) for says in shift.missing)
    return ShownShift(
        name=shift.name,
        where=words("between.shift.line" if is_bare else "between.shift.rounds", **where),
        decision=shift.decision,
        values=tuple(show_value(key, value, {}, words, figures) for key, value in told["values"].items()),
        missing=missing,
        says=tuple(says for says in _unless_out(told, figures) if says not in missing),
        moves=said_of_stand(told["advice"], shift.stand, figures),
        is_bare=is_bare,
        awaits=_awaited(shift, words),
    )


def _awaited(shift: CountedShift, words: Words) -> str:
    if shift.awaits is None:
        return ""
    name = shift.result["from" if shift.awaits == "first" else "to"]
    return words(f"between.awaits.{shift.awaits}", name=name)


def _placement(placement: Json, kit_file: Json, words: Words, figures: Figures) -> ShownPlacement:
    shown = [
        show_value(key, value, placement["budget"].get(key, {}), words, figures)
        for key, value in placement["values"].items()
    ]
    return ShownPlacement(
        name=placement["name"],
        counted_from=_counted_from(placement, words, figures),
        decision=placement["decision"],
        values=tuple(value for value in shown if value.decision),
        others=tuple(value for value in shown if not value.decision),
        moves=said_moves(placement, kit_file, figures),
        says=_unless_out(placement, figures),
        closeup=sketches.closeup(placement, words, figures),
    )


def _counted_from(placement: Json, words: Words, figures: Figures) -> str:
    """Where its values start and which way they count, in sentences."""
    datum = words.known("datum", placement["datum"])
    said = [words("result.counted_from", datum=datum, line=words(f"line.{placement['reference_line']}"))]
    if origin := placement.get("origin"):
        forward, left = (figures.length(part) for part in origin["offset_mm"])
        on = words("result.counted_on", forward=forward, left=left) if any(origin["offset_mm"]) else ""
        axis = figures.with_unit("_deg", figures.given("_deg", origin["axis_deg"]))
        start = words.known("datum", origin["at"])
        said.append(words("result.counted_origin", origin=start, on=on, axis=axis))
    if facing := placement.get("facing_deg"):
        said.append(
            words("result.counted_facing", facing=figures.with_unit("_deg", figures.given("_deg", facing)))
        )
    return " ".join(said)


def show_value(key: str, value: Json, budget: Json, words: Words, figures: Figures) -> ShownValue:
    """One value of a result."""
    is_required = "nominal" in value
    measured = value["value"] is not None
    return ShownValue(
        key=key,
        figure=figures.with_unit(key, figures.value(key, value["value"], value["u"])) if measured else "",
        u=figures.with_unit(key, figures.u(key, value["u"])) if measured else "",
        interval=_interval(key, value, words, figures) if measured else "",
        required=_required(key, value, words, figures) if is_required else "",
        decision=value["decision"] if is_required else "",
        says="" if measured else figures.words(value["says"]),
        strip=sketches.strip(key, value, words, figures) if is_required else None,
        causes=_causes(budget, words),
    )


def _interval(key: str, value: Json, words: Words, figures: Figures) -> str:
    low, high = (figures.value(key, end, value["u"]) for end in value["interval95"])
    return words("value.interval", low=low, high=figures.with_unit(key, high))


def _required(key: str, value: Json, words: Words, figures: Figures) -> str:
    nominal, minus = figures.given(key, value["nominal"]), figures.given(key, value["minus"])
    plus = figures.with_unit(key, figures.given(key, value["plus"]))
    if value["minus"] == value["plus"]:
        return words("value.required", nominal=nominal, both=plus)
    return words("value.required_unequal", nominal=nominal, minus=minus, plus=plus)


def _causes(budget: Json, words: Words) -> str:
    """The largest shares of the variance, in words."""
    largest = sorted(budget.items(), key=lambda item: -item[1])[:N_CAUSES]
    told = (f"{words.known('cause', cause)} {share:.0%}".replace("%", " %") for cause, share in largest)
    return ", ".join(told)


def _facts(vehicle: Json, words: Words, figures: Figures) -> Iterator[tuple[str, str]]:
    for key, value in vehicle.items():
        figure = figures.with_unit(key, figures.value(key, value["value"], value["u"]))
        yield words.known("fact", key), words("result.fact", value=figure, u=figures.u(key, value["u"]))


@dataclass(frozen=True)
class ShownChange:
    """One value in two rounds: as measured in each, and the difference with its joint uncertainty."""

    label: str
    before: str
    after: str
    change: str
    says: str


def show_change(change: Difference, label: str, words: Words, figures: Figures) -> ShownChange:
    """One line of two rounds beside each other; figures to the digits that the difference deserves."""
    key, u = change.key, change.u or 1.0

    def figure(value: float | None) -> str:
        return "" if value is None else figures.with_unit(key, figures.value(key, value, u))

    told = ""
    if change.difference is not None and change.u is not None:
        told = words("compare.figure", change=figure(change.difference), u=figures.u(key, change.u))
    return ShownChange(label, figure(change.before), figure(change.after), told, figures.words(change.says))


def photo_words(photo: Json, words: Words, figures: Figures) -> Sequence[str]:
    """What a result says of one photo, in sentences."""
    said = [words("photo.used") if photo["used"] else words("photo.not_used")]
    if photo["says"]:
        said.append(figures.words(photo["says"]))
    by_remark: dict[str, list[str]] = {}
    for remark in photo.get("remarks", ()):
        by_remark.setdefault(remark["says"], []).append(str(remark["plate"]))
    for says, plates in by_remark.items():
        said.append(words("photo.remark", plates=", ".join(plates), says=figures.words(says)))
    return said
