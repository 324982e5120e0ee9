"""The catalogue of text: all that templates and scripts say is in it, and all that is in it is said."""

import ast
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from api.pages.words import FOLDER, load_words

API = Path(__file__).parents[2] / "api"
TEMPLATES = sorted((API / "pages" / "templates").glob("*.html"))
SCRIPTS = sorted((API / "pages" / "static").glob("*.js"))
MODULES = sorted(API.rglob("*.py"))

_CODE = re.compile(r"\{%.*?%\}|\{\{.*?\}\}|\{#.*?#\}", re.DOTALL)
_TAG = re.compile(r"<(?:[^<>\"]|\"[^\"]*\")*>")
_SPOKEN = re.compile(r"\b(?:title|placeholder|alt|aria-label)=\"([^\"]*)\"")
_LETTERS = re.compile(r"[^\W\d_]{2,}")
# A block whose inside are attributes; what browsers do not show.
_UNSEEN = re.compile(
    r"<script.*?</script>|\{% block (?:main_attributes|body_class) %\}.*?\{% endblock %\}", re.DOTALL
)

_IN_TEMPLATES = re.compile(r"\bt(?:\.count|\.known)?\(\s*'([^']+)'\s*(~|,|\))")
_IN_MODULES = re.compile(r"(?<!figures\.)\bwords(\.known|\.count)?$|\bload_words\(\)$")
_IN_SCRIPTS = re.compile(r"""\bsay\(([^,)]*)""")


def _texts() -> dict[str, str]:
    return json.loads((FOLDER / "en.json").read_text(encoding="utf-8"))


def _literal_words(text: str) -> list[str]:
    spoken = [word for value in _SPOKEN.findall(_CODE.sub("", text)) for word in _LETTERS.findall(value)]
    shown = _LETTERS.findall(_TAG.sub(" ", _CODE.sub("", text)))
    return [*spoken, *shown]


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.name)
def test_a_template_says_nothing_of_its_own(path):
    assert not _literal_words(_UNSEEN.sub("", path.read_text()))


@pytest.mark.parametrize("text", ["<p>Stored</p>", '<img alt="A photo">', "{{ t('x') }} or not"])
def test_the_test_for_literal_words_sees_them(text):
    assert _literal_words(text)


def _keys(argument: ast.expr) -> Iterator[tuple[str, bool]]:
    """The keys that an argument may be; of an f-string its beginning."""
    if isinstance(argument, ast.IfExp):
        yield from _keys(argument.body)
        yield from _keys(argument.orelse)
    elif isinstance(argument, ast.Constant) and isinstance(argument.value, str):
        yield argument.value, False
    elif isinstance(argument, ast.JoinedStr) and isinstance(argument.values[0], ast.Constant):
        yield str(argument.values[0].value), True


def _used() -> tuple[set[str], set[str]]:
    """Keys that are named whole, and beginnings of those that are put together."""
    whole, begun = set(), set()
    for path in TEMPLATES:
        for call in re.finditer(_IN_TEMPLATES, path.read_text()):
            (begun if call[2] == "~" else whole).add(call[1])
            if call[0].startswith("t.known"):
                begun.add(f"{call[1]}.")
    for path in MODULES:
        for call in ast.walk(ast.parse(path.read_text())):
            if isinstance(call, ast.Call) and call.args and _IN_MODULES.search(ast.unparse(call.func)):
                is_prefix = ast.unparse(call.func).endswith(".known")
                for key, is_begun in _keys(call.args[0]):
                    (begun if is_begun or is_prefix else whole).add(f"{key}." if is_prefix else key)
    for path in SCRIPTS:
        for call in re.finditer(_IN_SCRIPTS, path.read_text()):
            whole |= {f"js.{key}" for key in re.findall(r"\"([^\"]+)\"", call[1])}
            begun |= {f"js.{key}" for key in re.findall(r"`([^`$]+)\$", call[1])}
    # Handed on by name: a time's form, a prefix to _named, a prefix to the two rounds' lines.
    whole |= {"time.today", "time.other"}
    return whole, begun | {"fact.", "value.", "datum.", "line."}


def test_every_key_that_is_used_is_in_the_catalogue():
    whole, begun = _used()
    known = set(_texts())
    plural = {key.rsplit(".", 1)[0] for key in known if key.endswith((".one", ".other"))}
    prefixes = {key for key in whole if f"{key}." in begun}
    assert not whole - known - plural - prefixes
    assert not {start for start in begun if not any(key.startswith(start) for key in known)}


def test_every_key_of_the_catalogue_is_used():
    whole, begun = _used()
    unused = {
        key
        for key in _texts()
        if key not in whole
        and re.sub(r"\.(one|other)$", "", key) not in whole
        and not any(key.startswith(start) for start in begun)
    }
    assert not unused


def test_no_key_stands_twice():
    pairs: list[tuple[str, str]] = json.loads((FOLDER / "en.json").read_text(), object_pairs_hook=list)
    keys = [key for key, _ in pairs]
    assert sorted(keys) == sorted(set(keys))


def test_counted_things_have_both_forms():
    known = set(_texts())
    for key in known:
        if key.endswith(".one"):
            assert key.removesuffix("one") + "other" in known


def test_a_text_is_filled_in_and_counted():
    words = load_words()
    assert words.count("round.photos", 1) == "1 photo"
    assert words.count("round.photos", 12) == "12 photos"
    assert words("round.title", round=3) == "Round 3"
    assert words.known("datum", "bumper_centre") == "bumper centre"
    with pytest.raises(KeyError):
        words("no.such.key")
