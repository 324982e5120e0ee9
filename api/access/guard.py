"""What every request passes, and who may do what.

`protect` puts the guard around the whole app: which names the service answers to, where changes may come
from, how large and how frequent requests are, and the headers of every answer. It is plain ASGI, so that
uploads and event streams flow through it. `require` is each route's own guard: the roles it takes.
"""

import asyncio
import ipaddress
import math
import re
from collections.abc import Callable
from contextlib import suppress
from typing import Annotated

from fastapi import Depends, FastAPI, Request
from sqlalchemy.exc import OperationalError
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, cookie_parser
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.access import sessions, shop
from api.access.rates import Buckets, Rate
from api.context import Caller, Role, service_of
from api.problems import (
    NotAllowedError,
    NotSignedInError,
    ServiceError,
    TooLargeError,
    TooOftenError,
    answer_defect,
    answer_error,
)
from api.settings import MEGABYTE, Settings

READING = frozenset({"GET", "HEAD", "OPTIONS"})
PAIRING = re.compile(r"/api/pair(/look)?")
PHOTO, IMPORT = re.compile(r"/api/rounds/[^/]+/photos"), "/api/imports"

MOST_BODY_BYTES = 1 * MEGABYTE
# A body that stops coming for so long is given up; the page sends it again as a whole.
MOST_SECONDS_BETWEEN_BYTES = 60.0
MOST_HEADER_BYTES = 16_000

# A page with twelve previews asks for some thirty things at once. The address's share is larger, since
# whoever invents cookies would have a bucket for each.
PER_SESSION, PER_ADDRESS = Rate(at_once=600, per_second=60), Rate(at_once=2400, per_second=240)
# Codes and PINs tried from one address: many phones in turn, no search.
PAIRINGS_PER_ADDRESS = Rate(at_once=30, per_second=0.05)

HEADERS = {
    "Content-Security-Policy": "; ".join(
        (
            "default-src 'none'",
            "script-src 'self'",
            "style-src 'self'",
            "img-src 'self'",
            "connect-src 'self'",
            "manifest-src 'self'",
            "form-action 'self'",
            "base-uri 'none'",
            "frame-ancestors 'none'",
        )
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    # Only features of standards that browsers know: of others they complain at each page.
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=(), "
    "accelerometer=(), gyroscope=(), magnetometer=(), display-capture=()",
}


# --- who may ---------------------------------------------------------------------------------------


def who(request: Request) -> Caller | None:
    """Who is calling; none if this device is not paired."""
    secret = request.cookies.get(sessions.COOKIE)
    if not secret:
        return None
    store = service_of(request).store
    with store.reading() as db:
        found = sessions.find(db, secret)
        is_to_be_written = found is not None and sessions.is_seen_to_be_written(db, found.session_id)
    if found is not None and is_to_be_written:
        # On a full disk reading goes on, and when the device was seen is no matter.
        with suppress(OperationalError), store.writing() as db:
            sessions.seen(db, found.session_id)
    return found


def caller(request: Request) -> Caller:
    """Who is calling.

    Raises:
        NotSignedInError: This device is not paired.
    """
    found = who(request)
    if found is None:
        raise NotSignedInError(
            "This device is not paired (any more). Scan the code on the service's terminal, or one that a "
            "paired device shows. Photos that are stored stay stored."
        )
    return found


def require(*roles: Role) -> Callable[..., Caller]:
    """The guard of one route: a dependency that gives the caller, if he has one of these roles."""

    def allowed(caller: Annotated[Caller, Depends(caller)]) -> Caller:
        if caller.role not in roles:
            raise NotAllowedError(
                f"This takes the role {' or '.join(roles)}; {caller.name} is {caller.role}."
            )
        return caller

    allowed.roles = frozenset(roles)  # type: ignore[attr-defined]  # read by the test of all routes
    return allowed


Technician = Annotated[Caller, Depends(require("technician", "reviewer", "owner"))]
Reviewer = Annotated[Caller, Depends(require("reviewer", "owner"))]
Owner = Annotated[Caller, Depends(require("owner"))]


def form_token(request: Request) -> str:
    """What this device's pages send back in X-Form-Token with every change; empty if it is not paired."""
    secret = request.cookies.get(sessions.COOKIE)
    return sessions.form_token(secret) if secret else ""


# --- the guard around the app -----------------------------------------------------------------------


def protect(app: FastAPI, settings: Settings) -> None:
    """Let every request pass the guard first."""
    app.add_middleware(Guard, settings=settings)


class Guard:
    """Refuses what must not come in, and puts its headers on whatever goes out."""

    def __init__(self, app: ASGIApp, settings: Settings) -> None:
        self.app = app
        self.settings = settings
        self._hosts = frozenset(host.lower() for host in settings.hosts)
        self._per_session, self._per_address = Buckets(PER_SESSION), Buckets(PER_ADDRESS)
        self._pairings = Buckets(PAIRINGS_PER_ADDRESS)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
            return
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        answer = _Answer(scope, send)
        try:
            headers = Headers(scope=scope)
            self._check_rate(scope, headers)
            await self._check_host(scope, headers)
            self._check_change(scope, headers)
            most = self._most_bytes(scope)
            _check_length(headers, most)
        except ServiceError as error:
            await answer_error(error)(scope, receive, answer.send)
            return
        try:
            await self.app(scope, _Body(receive, most).receive, answer.send)
        except ClientDisconnect:
            return  # nobody is left to answer; what was not acknowledged is not kept
        except Exception as error:
            if not answer.has_begun:
                await answer_defect(Request(scope), error)(scope, receive, answer.send)
            raise

    def _check_rate(self, scope: Scope, headers: Headers) -> None:
        address = scope["client"][0] if scope.get("client") else ""
        waits = [self._per_address.take(address)]
        if secret := _secret(headers):
            waits.append(self._per_session.take(secret))
        if PAIRING.fullmatch(scope["path"]):
            waits.append(self._pairings.take(address))
        if wait := max(waits):
            raise TooOftenError(f"Too many requests from this device. Try again in {math.ceil(wait)} s.")

    async def _check_host(self, scope: Scope, headers: Headers) -> None:
        """The service answers to its own names and addresses only.

        A page of another site whose name was made to point here (DNS rebinding) comes with that site's
        name, also on loopback. An address cannot be made to point elsewhere: the one that the connection
        came in by is always good, also when the network gave the machine a new one.
        """
        hosts = headers.getlist("host")
        host = host_name(hosts[0]) if len(hosts) == 1 else None
        if host is not None and (host in self._hosts or _is_own_address(host, scope)):
            return
        if host is not None and host in await run_in_threadpool(
            shop.extra_hosts, scope["app"].state.service.store
        ):
            return
        raise NotAllowedError(
            "The service does not answer to this name. Use an address that its terminal shows; "
            "an owner can add a name under the shop's settings."
        )

    def _check_change(self, scope: Scope, headers: Headers) -> None:
        """A change comes from a page of the service itself, and says so in a way no other page can."""
        if scope["method"] in READING:
            return
        origin = headers.get("origin")
        own = f"{scope['scheme']}://{headers['host'].lower()}"
        # Programs that are no browser send none of both; browsers send Origin with every change.
        is_foreign = origin is not None and origin.lower() != own
        if is_foreign or headers.get("sec-fetch-site", "same-origin") not in {"same-origin", "none"}:
            raise NotAllowedError(
                "This change came from a page elsewhere. Open plumbsight's own page for it."
            )
        # Without a session there is nothing that another page could make use of; pairing makes one, also
        # for a device that still holds the cookie of one that has ended.
        if (secret := _secret(headers)) and not PAIRING.fullmatch(scope["path"]):
            sessions.check_form_token(secret, headers.get(sessions.TOKEN_HEADER, ""))

    def _most_bytes(self, scope: Scope) -> int:
        if scope["method"] == "POST" and PHOTO.fullmatch(scope["path"]):
            return self.settings.most_upload_bytes
        return self.settings.most_import_bytes if scope["path"] == IMPORT else MOST_BODY_BYTES


def host_name(host: str) -> str | None:
    """The name or address of a Host header, without port, in lower case; none if it is not a proper one."""
    match = re.fullmatch(r"(\[[0-9a-f:.]+\]|[a-z0-9._-]+)(:[0-9]{1,5})?", host.lower())
    return match[1].strip("[]").removesuffix(".") if match else None


def _is_own_address(host: str, scope: Scope) -> bool:
    server = scope.get("server")
    try:
        return server is not None and ipaddress.ip_address(host) == ipaddress.ip_address(server[0])
    except ValueError:
        return False


def _secret(headers: Headers) -> str:
    return cookie_parser(headers.get("cookie", "")).get(sessions.COOKIE, "")


def _check_length(headers: Headers, most: int) -> None:
    if sum(len(name) + len(value) for name, value in headers.raw) > MOST_HEADER_BYTES:
        raise TooLargeError("The request's headers are too long. Delete this site's cookies and pair again.")
    length = headers.get("content-length", "0")
    if not length.isascii() or not length.isdigit() or int(length) > most:
        raise TooLargeError(_too_large(most))


def _too_large(most: int) -> str:
    return f"This is larger than {most // MEGABYTE} MB, the most that is taken here."


class _Body:
    """The request's body, cut off when it grows too large or stops coming."""

    def __init__(self, receive: Receive, most: int) -> None:
        self._receive = receive
        self._left = self._most = most
        self._is_coming = True

    async def receive(self) -> Message:
        if not self._is_coming:
            return await self._receive()
        try:
            message = await asyncio.wait_for(self._receive(), MOST_SECONDS_BETWEEN_BYTES)
        except TimeoutError:
            return {"type": "http.disconnect"}
        self._left -= len(message.get("body", b""))
        self._is_coming = message.get("more_body", False)
        if self._left < 0:
            # Of the web framework's own kind: it lets no other through while it reads a body.
            raise HTTPException(413, _too_large(self._most))
        return message


class _Answer:
    """The answer on its way out, with the guard's headers."""

    def __init__(self, scope: Scope, send: Send) -> None:
        self._scope = scope
        self._send = send
        self.has_begun = False

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.has_begun = True
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers[name] = value
            # What comes with the program is asked after each time; all else is somebody's and not kept.
            headers.setdefault("Cache-Control", "no-cache" if self._is_static() else "no-store")
        await self._send(message)

    def _is_static(self) -> bool:
        return self._scope["path"].startswith("/static/")
