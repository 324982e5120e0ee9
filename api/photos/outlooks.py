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
from typing import Any, TypeVar

from pydantic import BaseModel, Field

from api.problems import NotAcceptedError
from calib_data import starting
from calib_data.layouts import load_layouts
from calib_data.photoset import photo_set_of
from calib_data.starting import Answers
from vision.advice import INCHES, MILLIMETRES
from vision.errors import InputFileError, NotEnoughError
from vision.provable import ValueOutlook, outlook
from vision.where import label_words, outlook_words, station_words

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
    """Whether a kit can prove one of a round's placements; betterments only where something cannot be."""

    placement: str
    kit: str
    n_photos: int
    can_be_proved: bool
    says: str
    values: list[ExpectedValue] = []
    betterments: list[Better] = []
    stations: list[str] = Field(
        default=[],
        description="Where to stand for the photos, once around the vehicle; the same for all placements.",
    )


@dataclass(frozen=True)
class Asked:
    """Files as JSON; the placements are those of one round, which the same photos are to serve."""

    kit: Mapping[str, Any]
    placements: Sequence[Mapping[str, Any]]
    vehicle: Mapping[str, Any]
    in_inches: bool = False
    n_photos: int = starting.N_PHOTOS


def answer(asked: Asked) -> tuple[PlacementOutlook, ...]:
    """The core's answer for each placement; runs at the bench."""
    kit, n = asked.kit.get("name", ""), asked.n_photos
    try:
        task = photo_set_of("a plan", asked.kit, asked.vehicle, asked.placements)
        expected = outlook(task.kit, task.placements, task.vehicle, load_layouts(), n)
    except (NotEnoughError, InputFileError) as wrong:
        what = "this placement" if len(asked.placements) == 1 else "these placements"
        says = f"This kit cannot measure {what}. {wrong}"
        names = [one.get("name", "") for one in asked.placements]
        return tuple(
            PlacementOutlook(placement=name, kit=kit, n_photos=n, can_be_proved=False, says=says)
            for name in names
        )
    units = INCHES if asked.in_inches else MILLIMETRES
    stations = [station_words(expected.bay, station, units) for station in expected.stations]
    answers = []
    for i, placement in enumerate(task.placements):
        values = _of(i, expected.values)
        alone = replace(expected.bay, placements=(placement,))
        is_unshown = any(plate in expected.unshown_labels for plate in alone.labels)
        is_proved = not is_unshown and all(value.conforming is not None for value in values.values())
        named = {f"0:{key}": value for key, value in values.items()}
        told = [outlook_words([placement], named, is_unshown), *label_words(alone, expected.stations)]
        answers.append(
            PlacementOutlook(
                placement=placement.name,
                kit=kit,
                n_photos=n,
                can_be_proved=is_proved,
                says=" ".join(told),
                values=_values(values),
                betterments=[
                    Better(says=b.says, u=_of(i, b.u), proves=b.proves)
                    for b in (() if is_proved else expected.betterments)
                ],
                stations=stations,
            )
        )
    return tuple(answers)


def _of(placement: int, values: Mapping[str, Value]) -> dict[str, Value]:
    """Of values named as in `Reported`, those of one placement."""
    start = f"{placement}:"
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
