"""All text of the pages, from one catalogue per language: `words/en.json`, key -> text.

A text may hold `{name}` for what is filled in. What counts ends in `.one` and `.other`. Keys that begin
with `js.` go to the browser. Sentences that the measuring core makes belong to the result and are not here.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent / "words"
IN_BROWSER = "js."


@dataclass(frozen=True)
class Words:
    """A catalogue.

    Attributes:
        language: As HTML's `lang` says it.
        texts: Key -> text.
    """

    language: str
    texts: Mapping[str, str]

    def __call__(self, key: str, **values: Any) -> str:
        """The text of a key; an unknown key is a defect."""
        return self.texts[key].format(**values)

    def count(self, key: str, n: int, **values: Any) -> str:
        """The text for n things."""
        return self(f"{key}.{'one' if n == 1 else 'other'}", n=n, **values)

    def known(self, prefix: str, name: str) -> str:
        """The text of `prefix.name`; a name that the shop gave is shown as it is."""
        return self.texts.get(f"{prefix}.{name}", name.replace("_", " "))

    def in_browser(self) -> dict[str, str]:
        """What static/*.js says."""
        start = len(IN_BROWSER)
        return {key[start:]: text for key, text in self.texts.items() if key.startswith(IN_BROWSER)}


@cache
def load_words(language: str = "en") -> Words:
    """The catalogue of a language."""
    texts = json.loads((FOLDER / f"{language}.json").read_text(encoding="utf-8"))
    return Words(language, texts)
