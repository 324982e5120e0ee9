"""Studies: the same set-up photographed again and again, to learn how far rounds, people and shops differ.

A study's visit has everything that a visit has, but decides nothing and proves no job: its rounds are all
repeats, of a vehicle, a fixture and a floor that nobody touches in between. Visits of several people, kits
and shops belong together by the study's name, and what they photographed by the set-up's.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.problems import NotAcceptedError
from api.tables import Study, Visit
from calib_data.record import VARIED

MOST_LETTERS = 200


@dataclass(frozen=True)
class StudySaid:
    """What a person says of a study's visit.

    Attributes:
        name: Of the study; the same in all its visits, in other shops too.
        set_up: Which set-up of the study it is; the same word wherever it is photographed.
        varies: What is to differ between rounds: some of VARIED.
    """

    name: str
    set_up: str
    varies: Sequence[str]


@dataclass(frozen=True)
class StudyView:
    """A study's visit, with the other visits here of the same study: id, number and set-up."""

    name: str
    set_up: str
    varies: list[str]
    others: list[tuple[str, int, str]]


@dataclass(frozen=True)
class StudiesView:
    """Names that were used here, to be chosen again."""

    names: list[str]
    set_ups: list[str]


def mark(db: Session, visit_id: str, said: StudySaid) -> None:
    """Make a visit one of a study.

    Raises:
        NotAcceptedError: A name is missing or too long, or nothing of VARIED varies.
    """
    unknown = set(said.varies) - set(VARIED)
    if unknown or not said.varies:
        raise NotAcceptedError(
            "Choose what differs between the rounds: persons, phones, kits or shops.", "study.varies"
        )
    db.add(
        Study(
            visit_id=visit_id,
            name=_line(said.name, "study.name", "the study's name, the same in all its visits"),
            set_up=_line(said.set_up, "study.set_up", "a name for what stands there, e.g. board at 2.5 m"),
            varies=[one for one in VARIED if one in said.varies],
        )
    )
    db.flush()


def _line(text: str, where: str, wanted: str) -> str:
    plain = " ".join(text.split())
    if not plain or len(plain) > MOST_LETTERS or not plain.isprintable():
        raise NotAcceptedError(f"Enter {wanted}: one line of at most {MOST_LETTERS} characters.", where)
    return plain


def is_one(db: Session, visit_id: str) -> bool:
    """Whether a visit is one of a study."""
    return db.get(Study, visit_id) is not None


def view(db: Session, visit_id: str) -> StudyView | None:
    """How a visit stands in its study; none where it is of none."""
    row = db.get(Study, visit_id)
    if row is None:
        return None
    query = select(Visit.id, Visit.number, Study.set_up).join(Study, Study.visit_id == Visit.id)
    others = db.execute(query.where(Study.name == row.name, Visit.id != visit_id).order_by(Visit.begun_at))
    return StudyView(row.name, row.set_up, list(row.varies), [tuple(one) for one in others])  # type: ignore[misc]


def used(db: Session) -> StudiesView:
    """Names of studies and set-ups in this store, the latest first."""
    rows = list(
        db.execute(
            select(Study.name, Study.set_up)
            .join(Visit, Visit.id == Study.visit_id)
            .order_by(Visit.begun_at.desc())
        )
    )
    return StudiesView(*(list(dict.fromkeys(row[i] for row in rows)) for i in (0, 1)))


def of_visits(db: Session, visit_ids: Sequence[str]) -> dict[str, str]:
    """Of these visits, those of a study, with its name."""
    rows = db.execute(select(Study.visit_id, Study.name).where(Study.visit_id.in_(visit_ids)))
    return {visit_id: name for visit_id, name in rows}
