"""Looking at photos and measuring rounds, in worker processes; what waits is told by the tables."""

from api.settings import Settings
from api.store import Store


class Jobs:
    """Runs what waits in `arrival` and `measured`; nothing is lost when it ends."""

    def __init__(self, store: Store, settings: Settings) -> None:
        self.store = store
        self.settings = settings

    def start(self) -> None:
        """Take up what waits."""

    def stop(self) -> None:
        """End the workers; what they had not finished waits for the next start."""

    def wake(self) -> None:
        """Look at the tables now: something may wait."""
