"""Whether a kit can prove placements, before any photo: worked out at the bench, each question once.

It takes seconds to half a minute, so pages do not wait for it: they ask, and look again. Answers follow from
their questions alone, so the latest are remembered and none is stored.
"""

import hashlib
import json
import logging
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal, TypeVar

from pydantic import BaseModel, Field

from api.problems import NotAcceptedError
from calib_data import starting
from calib_data.layouts import load_layouts
from calib_data.photoset import task_of
from calib_data.starting import Answers
from vision.advice import INCHES, LABELS, MILLIMETRES
from vision.errors import InputFileError, NotEnoughError
from vision.provable import Outlook, ShiftOutlook, ValueOutlook, visit_outlook
from vision.where import SHIFT_COUNTS, label_words, outlook_words, station_words, subject_words

log = logging.getLogger("plumbsight")

MOST_KNOWN = 64
FAILED = "This could not be worked out. Ask again; if it fails again, tell whoever keeps the service."
NOT_KNOWN = "This answer is no longer remembered. Ask again."
Value = TypeVar("Value")
N_CAUSES = 3  # of a budget; nobody betters more than that at once


# --- a kit and placements --------------------------------------------------------------------------


class ExpectedValue(BaseModel):
    """What is to be expected of one required value, in mm or degrees."""

    key: str = Field(examples=["distance_mm"])
    nominal: float
    minus: float
    plus: float
    u: float | None = Field(description="none where it would not be measured; `says` tells why")
    largest_u: float = Field(description="Above it nothing can be shown to conform.")
    conforming: list[float] | None = Field(description="The lowest and highest result that would conform.")
    limits: dict[str, float] = Field(description="The largest shares of the variance, by cause.")
    says: str = ""


class Better(BaseModel):
    """Something to better, the u that the required values would then have, and whether all is proved then."""

    says: str
    u: dict[str, float]
    proves: bool


class PlacementOutlook(BaseModel):
    """Whether a kit can prove a placement, or what is required between two of them.

    Betterments only where something cannot be, and none of a shift.
    """

    placement: str = Field(description="The placement's name, or the relation's or the shift's.")
    kind: Literal["placement", "relation", "shift"] = "placement"
    round: int | None = Field(
        default=None, description="In which round it stands, from 1, where shifts ask for several."
    )
    kit: str
    n_photos: int
    can_be_proved: bool
    says: str
    values: list[ExpectedValue] = []
    betterments: list[Better] = []
    stations: list[str] = Field(
        default=[],
        description="Where to stand for the photos, once around the vehicle; the same for all of a round.",
    )


@dataclass(frozen=True)
class Asked:
    """Files as JSON; the same photos are to serve all placements of a round."""

    kit: Mapping[str, Any]
    placements: Sequence[Mapping[str, Any]]
    vehicle: Mapping[str, Any]
    in_inches: bool = False
    n_photos: int = starting.N_PHOTOS
    relations: Sequence[Mapping[str, Any]] = ()
    shifts: Sequence[Mapping[str, Any]] = ()


def answer(asked: Asked) -> tuple[PlacementOutlook, ...]:
    """The core's answer for each placement, each relation and each shift; runs at the bench."""
    kit, n = asked.kit.get("name", ""), asked.n_photos
    try:
        task = task_of(asked.kit, asked.vehicle, asked.placements, asked.relations, asked.shifts)
        expected = visit_outlook(
            task.kit,
            task.placements,
            task.vehicle,
            load_layouts(),
            n,
            relations=task.relations,
            shifts=task.shifts,
        )
    except (NotEnoughError, InputFileError) as wrong:
        what = "this placement" if len(asked.placements) == 1 else "these placements"
        says = f"This kit cannot measure {what}. {wrong}"
        names = [one.get("name", "") for one in asked.placements]
        return tuple(
            PlacementOutlook(placement=name, kit=kit, n_photos=n, can_be_proved=False, says=says)
            for name in names
        )
    units = INCHES if asked.in_inches else MILLIMETRES
    answers: dict[tuple[str, int], PlacementOutlook] = {}
    for number, one in enumerate(expected.rounds, start=1):
        bay, stations = one.outlook.bay, one.outlook.stations
        in_round = {
            "kit": kit,
            "n_photos": n,
            "round": number if len(expected.rounds) > 1 else None,
            "stations": [station_words(bay, station, units) for station in stations],
        }
        subjects = [("placement", "", i, k) for k, i in enumerate(one.standing)]
        subjects += [("relation", "r", i, k) for k, i in enumerate(one.relations)]
        for kind, start, index, k in subjects:
            if (kind, index) not in answers:
                answers[kind, index] = _answer(one.outlook, f"{start}{k}:", kind, in_round)
    shifts = [_shift_answer(one, kit, n) for one in expected.shifts]
    order = ("placement", "relation")
    told = sorted(answers.items(), key=lambda item: (order.index(item[0][0]), item[0][1]))
    return (*(one for _, one in told), *shifts)


def _answer(expected: Outlook, start: str, kind: str, in_round: Mapping[str, Any]) -> PlacementOutlook:
    """Of values named as in `Reported`, those whose names begin so: of one placement or relation."""
    bay = expected.bay
    values = _of(start, expected.values)
    own = bay.placements[int(start[:-1])] if kind == "placement" else None
    alone = replace(bay, placements=(own,) if own else (), relations=())
    is_unshown = any(plate in expected.unshown_labels for plate in alone.labels)
    is_proved = all(value.conforming is not None for value in values.values())
    labelled = {LABELS[key]: value for key, value in values.items()}
    says = [outlook_words(labelled, is_unshown), *label_words(alone, expected.stations)]
    return PlacementOutlook(
        placement=subject_words(bay, start),
        kind=kind,  # type: ignore[arg-type]  # of the two that are asked for
        can_be_proved=is_proved and not is_unshown,
        says=" ".join(says),
        values=_values(values),
        betterments=[
            Better(says=b.says, u=_of(start, b.u), proves=b.proves)
            for b in (() if is_proved else expected.betterments)
        ],
        **in_round,
    )


def _shift_answer(expected: ShiftOutlook, kit: str, n_photos: int) -> PlacementOutlook:
    labelled = {LABELS[key]: value for key, value in expected.values.items()}
    return PlacementOutlook(
        placement=expected.shift.name,
        kind="shift",
        kit=kit,
        n_photos=n_photos,
        can_be_proved=expected.can_be_proved,
        says=f"{outlook_words(labelled)} {SHIFT_COUNTS}",
        values=_values(expected.values),
    )


def _of(start: str, values: Mapping[str, Value]) -> dict[str, Value]:
    """Those of the values whose names begin so, without that."""
    return {key.removeprefix(start): value for key, value in values.items() if key.startswith(start)}


def _values(values: Mapping[str, ValueOutlook]) -> list[ExpectedValue]:
    return [
        ExpectedValue(
            key=key,
            nominal=value.tolerance.nominal,
            minus=value.tolerance.minus,
            plus=value.tolerance.plus,
            u=value.u,
            largest_u=value.largest_u,
            conforming=list(value.conforming) if value.conforming is not None else None,
            limits=dict(sorted(value.budget.items(), key=lambda one: -one[1])[:N_CAUSES]),
            says=value.says,
        )
        for key, value in values.items()
    ]


# --- a first kit ------------------------------------------------------------------------------------


class ProvedValue(BaseModel):
    """What a kit proves of one value: tolerances to each side, the narrowest of all, and one that is easy."""

    key: str
    u: float | None
    at_best: float | None
    easily: float | None
    says: str


class FirstOutlook(BaseModel):
    """What a first kit proves, by the target's distance ahead of the front axle in mm."""

    n_photos: int
    distances: list[tuple[float, list[ProvedValue]]] = []
    says: str = Field(default="", description="Why nothing can be measured, and what to do.")


def first_answer(answers: Answers) -> FirstOutlook:
    """The core's answer for a first kit; runs at the bench."""
    try:
        distances = [(d, starting.what_it_proves(answers, d)) for d in starting.DISTANCES_MM]
    except NotEnoughError as wrong:
        return FirstOutlook(n_photos=starting.N_PHOTOS, says=f"This kit cannot measure a target. {wrong}")
    told = [(d, [ProvedValue(**asdict(one)) for one in values]) for d, values in distances]
    return FirstOutlook(n_photos=starting.N_PHOTOS, distances=told)


# --- asking -----------------------------------------------------------------------------------------


class Outlooks:
    """Questions that are worked out elsewhere, and the latest answers."""

    def __init__(self, schedule: Callable[[Callable[..., Any], Any], Future]) -> None:
        self._schedule = schedule
        self._known: OrderedDict[str, Future] = OrderedDict()
        self._lock = threading.Lock()

    def ask(self, question: Asked | Answers) -> str:
        """Have it worked out, unless it is or was; the key by which its answer is found."""
        return self._asked(question)[0]

    def found(self, key: str) -> Any | None:
        """The answer; None while it is being worked out.

        Raises:
            NotAcceptedError: It could not be, or nobody remembers the question.
        """
        known = self._known.get(key)
        if known is None:
            raise NotAcceptedError(NOT_KNOWN)
        return self._result(known) if known.done() else None

    def wait(self, question: Asked | Answers) -> Any:
        """The answer, waited for."""
        return self._result(self._asked(question)[1])

    def _asked(self, question: Asked | Answers) -> tuple[str, Future]:
        key = _key_of(question)
        with self._lock:
            known = self._known.pop(key, None)
            if known is None or _has_failed(known):
                known = self._schedule(answer if isinstance(question, Asked) else first_answer, question)
            self._known[key] = known
            while len(self._known) > MOST_KNOWN:
                self._known.popitem(last=False)
        return key, known

    def _result(self, known: Future) -> Any:
        try:
            return known.result()
        except Exception as broken:  # a defect, a worker that died, or took too long
            log.warning("an outlook failed: %r", broken)
            raise NotAcceptedError(FAILED) from broken


def _has_failed(known: Future) -> bool:
    return known.done() and known.exception() is not None


def _key_of(question: Asked | Answers) -> str:
    told = json.dumps([type(question).__name__, asdict(question)], sort_keys=True, default=_plain)
    return hashlib.sha256(told.encode()).hexdigest()


def _plain(value: Any) -> Any:
    return (
        dict(value)
        if isinstance(value, Mapping)
        else list(value)
        if isinstance(value, Sequence)
        else str(value)
    )
