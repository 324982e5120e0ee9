"""Photo files by fsspec: what an object store gives back is looked at before a photo counts as stored.

On fsspec's store in memory, which lets a put go wrong at will; `pytest -m fleet` takes a real one.
"""

import hashlib

import pytest

from api.photos.bucket import Bucket
from api.photos.photofiles import is_intact, read
from api.place import Place
from api.problems import AwayError, ConflictError, NotAcceptedError
from api.records.backup import back_up, restore

memory = pytest.importorskip("fsspec.implementations.memory").MemoryFileSystem
DATA = b"a photo" * 1000
SHA256 = hashlib.sha256(DATA).hexdigest()


@pytest.fixture
def bucket(request):
    return Bucket(f"memory://{request.node.name}/photos")


@pytest.fixture
def temporary(tmp_path):
    path = tmp_path / "temporary"
    path.write_bytes(DATA)
    return path


def test_a_file_comes_back_as_it_was_put(bucket, temporary):
    assert not bucket.has(SHA256) and list(bucket.stored()) == []
    bucket.put(temporary, SHA256)
    assert bucket.has(SHA256) and read(bucket, SHA256) == DATA and is_intact(bucket, SHA256)
    ((name, written_at),) = bucket.stored()
    assert name == SHA256 and written_at > 1e9
    bucket.put(temporary, SHA256)  # once more is once
    bucket.remove(SHA256)
    bucket.remove(SHA256)
    assert not bucket.has(SHA256)
    with pytest.raises(FileNotFoundError):
        bucket.open(SHA256)


def _lost(self, path, key, **_):
    pass


def _cut_off(self, path, key, **_):
    self.pipe_file(key, DATA[:-1])


def _fails(self, path, key, **_):
    raise TimeoutError("no answer")


@pytest.mark.parametrize("put", [_lost, _cut_off, _fails])
def test_a_put_that_did_not_work_does_not_count_and_works_again(bucket, temporary, monkeypatch, put):
    monkeypatch.setattr(memory, "put_file", put)
    with pytest.raises(AwayError, match="again"):
        bucket.put(temporary, SHA256)
    monkeypatch.undo()
    bucket.put(temporary, SHA256)
    assert is_intact(bucket, SHA256)


def test_an_address_that_is_none_is_refused_in_words():
    with pytest.raises((NotAcceptedError, ConflictError), match="address|fleet"):
        Bucket("nonsense://x").has(SHA256)


@pytest.mark.parametrize("more", [{"database": "postgresql://x/y"}, {"photos": "s3://x/y"}])
def test_copying_what_lies_elsewhere_is_refused_with_what_to_do(tmp_path, more):
    place = Place(tmp_path / "store", **more)
    for act in (lambda: back_up(place, tmp_path / "copy"), lambda: restore(tmp_path / "copy", place)):
        with pytest.raises(ConflictError, match="pg_dump|own means"):
            act()
