"""Photo files in an object store, through fsspec: a bucket, or a folder in it, by URL.

An object store renames nothing and syncs nothing on demand: that a file is whole and lasts is its own
promise, given with the answer to a put. So nothing is believed: each object is read back and its SHA-256
compared before `put` returns, and only then its row is written and the phone is answered. What a broken put
left counts for nothing, since no row names it, and is overwritten when the photo comes again.
"""

import hashlib
import logging
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO

from api.problems import AwayError, ConflictError, NotAcceptedError

log = logging.getLogger("plumbsight")

_IS_HASH = re.compile(r"[0-9a-f]{64}").fullmatch
_LACKING = "Photos in an object store need plumbsight's extra `fleet`: pip install plumbsight[fleet]."


@dataclass(frozen=True)
class Bucket:
    """Photo files below a URL such as s3://bucket/photos.

    Keys, secrets and the server's address come from the environment, as the URL's own library reads them.
    """

    url: str

    def put(self, temporary: Path, sha256: str) -> None:
        with self._asked() as (store, root):
            key = _key(root, sha256)
            store.put_file(str(temporary), key)
            is_whole = store.exists(key) and hashlib.sha256(store.cat_file(key)).hexdigest() == sha256
        if not is_whole:
            raise AwayError(
                "The object store does not give back the photo that it was given, so it does not count as "
                "stored. Send it again."
            )

    def has(self, sha256: str) -> bool:
        with self._asked() as (store, root):
            return bool(store.exists(_key(root, sha256)))

    def open(self, sha256: str) -> BinaryIO:
        with self._asked() as (store, root):
            return BytesIO(store.cat_file(_key(root, sha256)))

    def remove(self, sha256: str) -> None:
        with self._asked() as (store, root):
            if store.exists(_key(root, sha256)):
                store.rm_file(_key(root, sha256))

    def stored(self) -> Iterator[tuple[str, float]]:
        with self._asked() as (store, root):
            found = store.find(root, detail=True)
        for key, info in found.items():
            if not _IS_HASH(key.rpartition("/")[2]):
                continue  # some stores keep a folder that has become empty, and list it as if it were a file
            written = info.get("LastModified") or info.get("mtime") or info.get("created")
            yield key.rpartition("/")[2], written.timestamp() if hasattr(written, "timestamp") else written

    def check(self) -> None:
        """Whether it can be reached.

        Raises:
            AwayError: It cannot.
        """
        with self._asked() as (store, root):
            store.invalidate_cache()
            store.exists(root)

    @contextmanager
    def _asked(self) -> Iterator[tuple[Any, str]]:
        """The object store and the root's key; what goes wrong there is told as being away."""
        store, root = self._opened()
        try:
            yield store, root
        except (FileNotFoundError, AwayError):
            raise
        except Exception as wrong:  # each library has errors of its own
            log.error("the object store fails: %r", wrong)
            raise AwayError(
                "The object store of the photos cannot be used for now. Nothing was stored of this. Try "
                "again in a moment; if it stays so, whoever keeps the service finds the cause in its log."
            ) from wrong

    def _opened(self) -> tuple[Any, str]:
        try:
            from fsspec.core import url_to_fs
        except ModuleNotFoundError as wrong:
            raise ConflictError(_LACKING) from wrong
        try:
            store, root = url_to_fs(self.url, use_listings_cache=False)
        except ImportError as wrong:
            raise ConflictError(f"{_LACKING} ({wrong})") from wrong
        except ValueError as wrong:
            raise NotAcceptedError(f"The photos' address cannot be read: {wrong}.") from wrong
        return store, root.rstrip("/")


def _key(root: str, sha256: str) -> str:
    return f"{root}/{sha256[:2]}/{sha256}"
