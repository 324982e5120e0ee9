"""What a round's photos come to so far, and the next one: a page of its own, and a part of the round's.

It is worked out behind everything else, so the round's page does not wait for it but fetches it (live.js).
"""

from collections.abc import Iterator
from dataclasses import dataclass

from fastapi.responses import HTMLResponse
from markupsafe import Markup

from api.figures import Figures
from api.pages import coach_sketch, sketches
from api.pages.pages import Paired, page_router
from api.pages.words import Words
from api.photos.coach_question import question_of
from api.photos.coaching import CoachedValue, RoundCoaching
from api.problems import ServiceError
from api.visits import rounds, visits
from vision.errors import PlumbsightError

router = page_router()


@dataclass(frozen=True)
class ReachedValue:
    """One required value: how sure it is against what is enough, in words and as a strip.

    Attributes:
        placement: Its name, where the round has several.
    """

    placement: str
    key: str
    says: tuple[str, ...]
    is_reached: bool
    strip: Markup


@dataclass(frozen=True)
class ShownCoaching:
    """What the part of the page says.

    Attributes:
        is_over: No more photos are asked for.
        number: Of the next photo.
        parts: In words, what hangs together; of one part a single sentence.
    """

    is_over: bool
    says: str
    number: int
    next_says: str
    next_shows: str
    values: tuple[ReachedValue, ...]
    parts: tuple[str, ...]
    photos: tuple[str, ...]
    plan: Markup
    patterns: Markup


@router.get("/rounds/{round_id}/coach")
def coach(round_id: str, desk: Paired) -> HTMLResponse:
    with desk.service.store.reading() as db:
        one = rounds.get(db, round_id)
        view = visits.summary(db, one.visit_id)
        question, n_waiting = question_of(db, round_id, desk.figures.unit)
    problem, shown = "", None
    try:
        shown = show(desk.service.jobs.coach(question), n_waiting, desk.words, desk.figures)
    except (ServiceError, PlumbsightError) as wrong:
        problem = str(wrong)
    return desk.page(
        "coach.html",
        visit=view,
        round=next(row for row in view.rounds if row.id == round_id),
        shown=shown,
        problem=problem,
        is_demo=view.is_demo,
        events=f"/api/events?visit={view.id}&after={view.change_seq}",
    )


def show(coaching: RoundCoaching, n_waiting: int, words: Words, figures: Figures) -> ShownCoaching:
    """The answer as the page shows it."""
    says = [coaching.says, *([words.count("round.waiting", n_waiting)] if n_waiting else [])]
    return ShownCoaching(
        is_over=coaching.is_over,
        says=figures.words(" ".join(says)),
        number=len(coaching.stands) + 1,
        next_says=figures.words(coaching.next.says) if coaching.next else "",
        next_shows=coaching.next.shows if coaching.next else "",
        values=tuple(_value(one, len(coaching.placements) > 1, words, figures) for one in coaching.values),
        parts=tuple(_parts(coaching, words)),
        photos=tuple(stand.photo or "" for stand in coaching.stands),
        plan=coach_sketch.plan(coaching, words, figures),
        patterns=sketches.patterns(),
    )


def _value(one: CoachedValue, is_one_of_several: bool, words: Words, figures: Figures) -> ReachedValue:
    def figure(u: float) -> str:
        return figures.with_unit(one.key, figures.u(one.key, u))

    is_reached = one.u is not None and one.u <= one.enough_at
    says = [
        words("coach.u", u=figure(one.u)) if one.u is not None else words("coach.unmeasured"),
        words("coach.enough_at", u=figure(one.enough_at)),
    ]
    if one.u_with_next is not None and not is_reached:
        says.append(words("coach.with_next", u=figure(one.u_with_next)))
    if one.least_u is None:
        says.append(words("coach.never"))
    elif one.least_u > one.enough_at:
        says.append(words("coach.least", u=figure(one.least_u)))
    placement = one.placement if is_one_of_several else ""
    of = f"{placement}, " if placement else ""
    label = f"{of}{words(f'value.{one.key}')}: {', '.join(says)}"
    return ReachedValue(placement, one.key, tuple(says), is_reached, coach_sketch.strip(one, label))


def _parts(coaching: RoundCoaching, words: Words) -> Iterator[str]:
    if len(coaching.parts) > 1:
        number = {stand.photo: str(n) for n, stand in enumerate(coaching.stands, start=1)}
        for part in coaching.parts:
            photos = ", ".join(number[photo] for photo in part.photos)
            yield words("coach.part", photos=photos, plates=", ".join(map(str, part.plates)))
    elif coaching.stands:
        yield words.count("coach.together", len(coaching.stands))
    if coaching.apart:
        yield words("coach.apart", photos=", ".join(coaching.apart))
