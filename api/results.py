"""Results of rounds."""

from sqlalchemy.orm import Session

from api import inputs
from api.store import now
from api.tables import Measured


def ask(db: Session, round_id: str) -> Measured:
    """Ask for a round's measuring."""
    row = Measured(
        round_id=round_id, state="waiting", says="", asked_at=now(), inputs=inputs.of_round(db, round_id)
    )
    db.add(row)
    db.flush()
    return row
