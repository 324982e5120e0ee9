"""Routes: the event stream."""

from typing import Annotated

from fastapi import APIRouter, Header, Query, Request
from fastapi.responses import StreamingResponse

from api.access.guard import Technician
from api.context import service_of
from api.events import Feed

router = APIRouter(prefix="/api", tags=["events"])

_HEADERS = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
_EXAMPLE = 'id: 17\nevent: change\ndata: {"seq": 17, "what": ["photos", "rounds"]}\n\n'


@router.get(
    "/events",
    response_class=StreamingResponse,
    responses={200: {"content": {"text/event-stream": {"example": _EXAMPLE}}}},
)
async def events(
    request: Request,
    caller: Technician,
    visit: Annotated[str | None, Query(description="Only what concerns this visit or all of them.")] = None,
    after: Annotated[int | None, Query(ge=0, description="Start here: a view's change_seq.")] = None,
    page: Annotated[
        str, Query(max_length=64, description="The page's own key; a new stream with it ends the old one.")
    ] = "",
    last_event_id: Annotated[str | None, Header()] = None,
) -> StreamingResponse:
    """What changed, as it changes. `what` holding "all" means: look at everything again."""
    resumed = last_event_id is not None and last_event_id.isascii() and last_event_id.isdigit()
    position = int(last_event_id[:18]) if resumed and last_event_id else after
    stream = feed_of(request).stream(caller.session_id, page, visit, position)
    return StreamingResponse(stream, media_type="text/event-stream", headers=_HEADERS)


def feed_of(request: Request) -> Feed:
    """The service's one feed, made with the first stream."""
    state = request.app.state
    if not hasattr(state, "feed"):
        state.feed = Feed(service_of(request).store)
    return state.feed
