"""What every page shares: who looks at it, how it is filled in, and what it answers when something is wrong.

Pages only read. Whatever changes something is a call of the JSON API, made by static/*.js.
"""

from collections.abc import Callable, Coroutine, Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from fastapi.routing import APIRoute
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.exceptions import HTTPException

from api.access.guard import form_token, who
from api.access.shop import Shop, shop
from api.context import Caller, Service, service_of
from api.figures import Figures
from api.pages.words import Words, load_words
from api.problems import TITLES, NotAllowedError, NotSignedInError, ServiceError, answer_http_error
from vision.errors import PlumbsightError

TEMPLATES = Path(__file__).parent / "templates"
STATIC = Path(__file__).parent / "static"
# How numbers are shown on this device, as static/page.js writes it: "in_comma".
SHOWN_COOKIE = "plumbsight_shown"
PLACES = ("visits", "records", "kits", "placements", "people", "status", "help")
EDITORS = ("reviewer", "owner")


class PageRoute(APIRoute):
    """A route whose errors are pages: a device that is not paired is sent to pair."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        handle = super().get_route_handler()

        async def answer(request: Request) -> Response:
            try:
                return await handle(request)
            except NotSignedInError:
                return RedirectResponse(f"/pair?then={quote(request.url.path)}", 303)
            except ServiceError as wrong:
                return problem_page(request, wrong.status, TITLES[wrong.kind], str(wrong))
            except PlumbsightError as wrong:
                return problem_page(request, 422, TITLES["not-accepted"], str(wrong))
            except (RequestValidationError, HTTPException):
                return problem_page(request, 404, TITLES["not-there"], load_words()("problem.address"))

        return answer


def page_router() -> APIRouter:
    """A router for pages; they are no part of the API's description."""
    return APIRouter(route_class=PageRoute, include_in_schema=False, default_response_class=HTMLResponse)


@cache
def environment() -> Environment:
    """The templates; whatever is filled in is escaped, and what is not given is a defect."""
    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@dataclass(frozen=True)
class Desk:
    """Whoever looks at a page, from where, and how things are shown there."""

    request: Request
    service: Service
    caller: Caller | None
    shop: Shop
    figures: Figures
    words: Words

    @property
    def person(self) -> Caller:
        """The caller of a page that only paired devices see."""
        assert self.caller is not None
        return self.caller

    @property
    def may_edit(self) -> bool:
        return self.person.role in EDITORS

    def page(self, template: str, *, is_demo: bool = False, events: str = "", **values: Any) -> HTMLResponse:
        """A template filled in.

        Args:
            is_demo: The page says DEMO.
            events: Path of the event stream that the page follows; empty for none.
        """
        shown = environment().get_template(template)
        text = shown.render(
            t=self.words,
            figures=self.figures,
            shop=self.shop,
            caller=self.caller,
            form_token=form_token(self.request),
            path=self.request.url.path,
            places=self._places(),
            is_demo=is_demo,
            events=events,
            time=self.time,
            day=self.day,
            zip=zip,
            named=self._named,
            **values,
        )
        return HTMLResponse(text)

    def _places(self) -> tuple[str, ...]:
        """The parts that this person is led to; results of a re-check only where there are some."""
        reviews = self.caller is not None and self.may_edit and self.service.settings.results is not None
        return (*PLACES[:2], "review", *PLACES[2:]) if reviews else PLACES

    def _named(self, names: Iterable[str], prefix: str) -> list[tuple[str, str]]:
        """Choices of a form: each name with its words."""
        return [(name, self.words.known(prefix, name)) for name in names]

    def local(self, utc: str) -> datetime:
        """A stored time in the shop's zone."""
        return datetime.fromisoformat(utc).astimezone(ZoneInfo(self.shop.zone))

    def time(self, utc: str) -> str:
        """A stored time as a person of the shop reads it; the day too unless it is today."""
        at = self.local(utc)
        is_today = at.date() == datetime.now(at.tzinfo).date()
        return at.strftime(self.words("time.today" if is_today else "time.other"))

    def day(self, utc: str) -> str:
        return self.local(utc).strftime(self.words("time.day"))


def anyone(request: Request) -> Desk:
    """The desk of whoever asks, paired or not."""
    service = service_of(request)
    with service.store.reading() as db:
        settings = shop(db)
    return Desk(request, service, who(request), settings, _figures(request, settings), load_words())


def paired(desk: Annotated[Desk, Depends(anyone)]) -> Desk:
    """The desk of a paired device."""
    if desk.caller is None:
        raise NotSignedInError(desk.words("problem.not_paired"))
    return desk


def editing(desk: Annotated[Desk, Depends(paired)]) -> Desk:
    """The desk of somebody who may edit kits and placements."""
    if not desk.may_edit:
        raise NotAllowedError(desk.words("problem.editors_only"))
    return desk


def reviewing(desk: Annotated[Desk, Depends(paired)]) -> Desk:
    """The desk of somebody who looks through what was measured again."""
    if not desk.may_edit:
        raise NotAllowedError(desk.words("problem.reviewers_only"))
    return desk


Anyone = Annotated[Desk, Depends(anyone)]
Paired = Annotated[Desk, Depends(paired)]
Editing = Annotated[Desk, Depends(editing)]
Reviewing = Annotated[Desk, Depends(reviewing)]


def problem_page(request: Request, status: int, title: str, says: str) -> Response:
    """A page that says what is wrong and where to go on."""
    page = anyone(request).page("problem.html", title=title, says=says)
    page.status_code = status
    return page


def not_there(request: Request, error: Exception) -> Response:
    """An address that leads nowhere: a page for a person's browser, problem details for a program."""
    is_for_a_person = "text/html" in request.headers.get("accept", "")
    if not is_for_a_person or request.url.path.startswith("/api/"):
        return answer_http_error(request, error)
    return problem_page(request, 404, TITLES["not-there"], load_words()("problem.address"))


def _figures(request: Request, shop: Shop) -> Figures:
    """This device's own choice, else the shop's."""
    unit, _, mark = request.cookies.get(SHOWN_COOKIE, "").partition("_")
    return Figures(
        "in" if unit == "in" else "mm" if unit == "mm" else shop.units,
        "," if mark == "comma" else "." if mark == "point" else shop.decimal_mark,
    )
