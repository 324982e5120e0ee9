"""The service: `create_app(settings)` puts together routes, guards, store and workers."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import APIRouter, FastAPI
from fastapi.staticfiles import StaticFiles

from api import routes_events
from api.access import routes_people, routes_status
from api.access.guard import protect
from api.alone import as_the_only_service
from api.context import Service
from api.pages import (
    pages_between,
    pages_coach,
    pages_kits,
    pages_outlooks,
    pages_placements,
    pages_records,
    pages_review,
    pages_shop,
    pages_upkeep,
    pages_visits,
)
from api.pages.pages import STATIC, not_there
from api.photos import orphans, routes_outlooks, routes_photos, routes_results
from api.photos.bench import next_task
from api.photos.jobs import Jobs
from api.photos.outlooks import Outlooks
from api.problems import answer_problems, documented
from api.records import removal, routes_records
from api.review import routes_review
from api.settings import Settings
from api.store import open_store
from api.visits import routes_kits, routes_upkeep, routes_visits
from calib_data.result import made_with

# Every route of the service, by subject.
ROUTERS: tuple[APIRouter, ...] = (
    routes_people.router,
    routes_kits.router,
    routes_visits.router,
    routes_upkeep.router,
    routes_events.router,
    routes_photos.router,
    routes_results.router,
    routes_outlooks.router,
    routes_records.router,
    routes_review.router,
    routes_status.router,
    pages_placements.router,
    pages_shop.router,
    pages_between.router,
    pages_outlooks.router,
    pages_kits.router,
    pages_visits.router,
    pages_coach.router,
    pages_upkeep.router,
    pages_records.router,
    pages_review.router,
)


def create_app(settings: Settings) -> FastAPI:
    """The service on one store. Nothing is opened before it starts, and all is closed when it ends."""

    @asynccontextmanager
    async def running(app: FastAPI) -> AsyncIterator[None]:
        store = open_store(settings.place)
        try:
            with as_the_only_service(store):
                removal.sweep(store)
                orphans.sweep(store)
                jobs = Jobs(store, settings, next_task)
                app.state.service = Service(settings, store, jobs, Outlooks(jobs.at_bench))
                jobs.start()
                try:
                    yield
                finally:
                    jobs.stop()
        finally:
            store.close()

    app = FastAPI(
        title="plumbsight",
        version=made_with()["plumbsight"],
        lifespan=running,
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        # What the guard, a lost session or a full disk may make of any request.
        responses=documented(401, 403, 404, 409, 413, 422, 429, 503, 507),
    )
    answer_problems(app)
    app.add_exception_handler(404, not_there)
    protect(app, settings)
    for router in ROUTERS:
        app.include_router(router)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    return app
