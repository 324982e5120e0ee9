"""Routes: pairing a device, who one is, devices, people.

What deals in secrets (codes, PINs) takes no idempotency key: answers to those are kept in the store.
"""

from typing import Annotated, Literal, Self

from fastapi import APIRouter, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from api.access import pairing, people, reach, sessions
from api.access.guard import Owner, Technician, host_name
from api.context import Role, TheService
from api.idempotency import Once
from api.problems import NotAllowedError
from api.tables import Person, Session

router = APIRouter(prefix="/api", tags=["people and devices"])
# Browsers cap a cookie's age at 400 days; the store decides much sooner.
_COOKIE_SECONDS = 400 * 86_400

ShortText = Annotated[str, Field(max_length=200)]


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid")


class CodeBody(_Body):
    code: ShortText = Field(examples=["7KQ2M-XW9TC"])


class PairBody(CodeBody):
    """What the code asks for, as /api/pair/look tells."""

    person_id: ShortText | None = None
    name: ShortText = Field("", examples=["A. Example"])
    pin: ShortText = ""


class PersonAnswer(BaseModel):
    id: str
    name: str
    role: Role
    has_pin: bool
    added_at: str
    withdrawn_at: str | None

    @classmethod
    def of(cls, row: Person) -> Self:
        return cls(
            id=row.id,
            name=row.name,
            role=row.role,  # type: ignore[arg-type]  # a column of text
            has_pin=row.pin_hash is not None,
            added_at=row.added_at,
            withdrawn_at=row.withdrawn_at,
        )


class KnownPerson(BaseModel):
    id: str
    name: str


class AskedAnswer(BaseModel):
    """What to ask whoever scanned the code."""

    asks: list[Literal["name", "person", "pin", "new_pin"]]
    name: str | None = Field(description="Whose code it is; none if it is the terminal's.")
    people: list[KnownPerson]


class MeAnswer(BaseModel):
    """Who is calling, and the token to send back in X-Form-Token with every change."""

    person: PersonAnswer
    session_id: str
    form_token: str


class DeviceAnswer(BaseModel):
    session_id: str
    device: str
    person: KnownPerson
    paired_at: str
    seen_at: str
    is_this: bool

    @classmethod
    def of(cls, row: Session, person: Person, own_id: str) -> Self:
        return cls(
            session_id=row.id,
            device=row.device,
            person=KnownPerson(id=person.id, name=person.name),
            paired_at=row.made_at,
            seen_at=row.seen_at,
            is_this=row.id == own_id,
        )


class CodeAnswer(BaseModel):
    """A fresh pairing code, and a link with it for each address of the service."""

    code: str
    ends_at: str
    links: list["LinkAnswer"]


class LinkAnswer(BaseModel):
    url: str
    says: str
    qr_svg: str


class NewPersonBody(_Body):
    name: ShortText = Field(min_length=1, examples=["A. Example"])
    role: Role


class RoleBody(_Body):
    role: Role


class PairingBody(_Body):
    forgot_pin: bool = Field(False, description="Whoever uses the code chooses a new PIN. Owners only.")
    pin: ShortText = Field("", description="The owner's own PIN, asked again for a forgotten one.")


class PinBody(_Body):
    old_pin: ShortText
    new_pin: ShortText


# --- pairing --------------------------------------------------------------------------------------


@router.post("/pair/look")
def look_at_code(body: CodeBody, service: TheService) -> AskedAnswer:
    """What a pairing code asks for; it is not used up by this."""
    with service.store.reading() as db:
        asked = pairing.look(db, body.code)
        known = [KnownPerson(id=one.id, name=one.name) for one in asked.people]
        return AskedAnswer(
            asks=list(asked.asks), name=asked.person.name if asked.person else None, people=known
        )


@router.post("/pair", status_code=201)
def pair_device(body: PairBody, request: Request, response: Response, service: TheService) -> MeAnswer:
    """Use a pairing code up: this device is paired from now on."""
    answers = pairing.Answers(body.person_id, body.name, body.pin)
    device = sessions.device_words(request.headers.get("user-agent", ""))
    before = request.cookies.get(sessions.COOKIE, "")
    opened = pairing.pair(service.store, body.code, answers, device, before)
    response.set_cookie(
        sessions.COOKIE,
        opened.secret,
        max_age=_COOKIE_SECONDS,
        httponly=True,
        samesite="strict",
        secure=service.settings.is_https,
    )
    with service.store.reading() as db:
        found = sessions.find(db, opened.secret)
        assert found is not None
        person = PersonAnswer.of(people.get(db, found.person_id))
    return MeAnswer(person=person, session_id=opened.id, form_token=opened.form_token)


# --- oneself --------------------------------------------------------------------------------------


@router.get("/me")
def me(request: Request, caller: Technician, service: TheService) -> MeAnswer:
    """Who this device belongs to."""
    with service.store.reading() as db:
        person = PersonAnswer.of(people.get(db, caller.person_id))
    token = sessions.form_token(request.cookies[sessions.COOKIE])
    return MeAnswer(person=person, session_id=caller.session_id, form_token=token)


@router.put("/me/pin")
def change_own_pin(body: PinBody, caller: Technician, service: TheService) -> PersonAnswer:
    """Choose another PIN, telling the old one."""
    people.check_pin(service.store, caller.person_id, body.old_pin)
    new_hash = people.hash_pin(body.new_pin)
    with service.store.writing() as db:
        people.set_pin(db, caller.person_id, new_hash)
        return PersonAnswer.of(people.get(db, caller.person_id))


@router.get("/sessions")
def paired_devices(caller: Technician, service: TheService) -> list[DeviceAnswer]:
    """The paired devices that one may withdraw: one's own, an owner's all."""
    with service.store.reading() as db:
        return [DeviceAnswer.of(*one, caller.session_id) for one in sessions.listed(db, caller)]


@router.post("/sessions/{session_id}/withdraw", status_code=204)
def withdraw_device(session_id: str, caller: Technician, service: TheService) -> None:
    """End a device's session; it must be paired again."""
    with service.store.writing() as db:
        sessions.withdraw(db, caller, session_id)


# --- people ---------------------------------------------------------------------------------------


@router.get("/people")
def all_people(caller: Technician, service: TheService) -> list[PersonAnswer]:
    """Who works here; those withdrawn come last."""
    with service.store.reading() as db:
        return [PersonAnswer.of(one) for one in people.listed(db)]


@router.post("/people", status_code=201, response_model=PersonAnswer)
def add_person(body: NewPersonBody, caller: Owner, once: Once) -> Response:
    """A new person; hand a pairing code over next."""
    return once.do(201, lambda db: PersonAnswer.of(people.add(db, body.name, body.role)))


@router.put("/people/{person_id}/role", response_model=PersonAnswer)
def change_role(person_id: str, body: RoleBody, caller: Owner, once: Once) -> Response:
    """Give a person another role."""
    return once.do(200, lambda db: PersonAnswer.of(people.change_role(db, person_id, body.role)))


@router.post("/people/{person_id}/withdraw", response_model=PersonAnswer)
def withdraw_person(person_id: str, caller: Owner, once: Once) -> Response:
    """Let a person no longer in; all devices of that person are withdrawn with it."""
    return once.do(200, lambda db: PersonAnswer.of(people.withdraw(db, person_id)))


@router.post("/people/{person_id}/pairing", status_code=201)
def make_pairing_code(
    person_id: str, body: PairingBody, request: Request, caller: Technician, service: TheService
) -> CodeAnswer:
    """A fresh code for a person's device: one's own further device, or, by an owner, anybody's."""
    is_own = person_id == caller.person_id
    if caller.role != "owner" and (not is_own or body.forgot_pin):
        raise NotAllowedError("Ask an owner for this code.")
    if body.forgot_pin:
        # Else whoever holds an owner's unlocked phone for a moment could sign as anybody.
        people.check_pin(service.store, caller.person_id, body.pin)
    with service.store.writing() as db:
        sets_pin = body.forgot_pin or people.get(db, person_id).pin_hash is None
        code = pairing.make(db, person_id, sets_pin)
    ways = reach.ways(service.settings, host_name(request.headers["host"]) or "")
    links = [
        LinkAnswer(url=(url := way.pairing_url(code.text)), says=way.says, qr_svg=reach.qr_svg(url))
        for way in ways
    ]
    return CodeAnswer(code=code.text, ends_at=code.ends_at, links=links)
