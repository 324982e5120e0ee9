"""A visit or a photo set -> its rounds, each with all that measuring it again takes. Runs in workers."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from tools.recheck import of_folder, of_record
from tools.recheck.listing import RECORD_NAME
from tools.recheck.material import RoundToMeasure, plain_facts
from tools.recheck.sets import ArchivedSet
from vision.errors import InputFileError


@contextmanager
def rounds_of(one: ArchivedSet) -> Iterator[Iterator[RoundToMeasure]]:
    """The rounds of a set, at least one; what was fetched for them is gone afterwards."""
    with TemporaryDirectory(prefix="plumbsight-") as temporary:
        yield _rounds(one, Path(temporary))


def _rounds(one: ArchivedSet, temporary: Path) -> Iterator[RoundToMeasure]:
    try:
        if one.visit is not None:
            yield from of_record.of_store(one, one.visit)
        elif one.folder is not None and one.folder.has(RECORD_NAME):
            yield from of_record.of_export(one, one.folder)
        elif one.folder is not None:
            yield of_folder.round_of(one, one.folder, temporary)
        else:
            yield RoundToMeasure(plain_facts(one), unreadable=one.findings[0].says)
    except InputFileError as wrong:
        yield RoundToMeasure(plain_facts(one), findings=one.findings, unreadable=str(wrong))
