"""Whether a kit can prove a placement, before any photo: worked out at the bench, each question once.

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
from dataclasses import asdict, dataclass
from typing import Any

from pydantic import BaseModel, Field

from api.problems import NotAcceptedError
from calib_data import starting
from calib_data.layouts import load_layouts
from calib_data.photoset import photo_set_of
from calib_data.starting import Answers
from vision.advice import INCHES, MILLIMETRES
from vision.errors import InputFileError, NotEnoughError
from vision.provable import Outlook, outlook
from vision.where import outlook_words, station_words

log = logging.getLogger("plumbsight")

MOST_KNOWN = 64
FAILED = "This could not be worked out. Ask again; if it fails again, tell whoever keeps the service."
NOT_KNOWN = "This answer is no longer remembered. Ask again."
N_CAUSES = 3  # of a budget; nobody betters more than that at once


# --- a kit and a placement --------------------------------------------------------------------------


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
    """Whether a kit can prove a placement; betterments only where something cannot be proved."""

    placement: str
    kit: str
    n_photos: int
    can_be_proved: bool
    says: str
    values: list[ExpectedValue] = []
    betterments: list[Better] = []
    stations: list[str] = Field(
        default=[], description="Where to stand for the photos, once around the vehicle."
    )


@dataclass(frozen=True)
class Asked:
    """Files as JSON."""

    kit: Mapping[str, Any]
    placement: Mapping[str, Any]
    vehicle: Mapping[str, Any]
    in_inches: bool = False
    n_photos: int = starting.N_PHOTOS


def answer(asked: Asked) -> PlacementOutlook:
    """The core's answer; runs at the bench."""
    names = {"placement": asked.placement.get("name", ""), "kit": asked.kit.get("name", "")}
    try:
        task = photo_set_of("a plan", asked.kit, asked.vehicle, [asked.placement])
        placement = task.placements[0]
        expected = outlook(task.kit, placement, task.vehicle, load_layouts(), asked.n_photos)
    except (NotEnoughError, InputFileError) as wrong:
        says = f"This kit cannot measure this placement. {wrong}"
        return PlacementOutlook(**names, n_photos=asked.n_photos, can_be_proved=False, says=says)
    units = INCHES if asked.in_inches else MILLIMETRES
    return PlacementOutlook(
        **names,
        n_photos=asked.n_photos,
        can_be_proved=expected.can_be_proved,
        says=outlook_words(placement, expected),
        values=_values(expected),
        betterments=[Better(says=b.says, u=dict(b.u), proves=b.proves) for b in expected.betterments],
        stations=[station_words(expected.bay, station, units) for station in expected.stations],
    )


def _values(expected: Outlook) -> list[ExpectedValue]:
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
        for key, value in expected.values.items()
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
