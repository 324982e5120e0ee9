"""JSON text -> a checked file model, with everything that is wrong said in words.

JSON as of RFC 8259, stricter where its section 4 warns: a key given twice, NaN and Infinity are refused.
"""

import difflib
import json
import math
import re
import types
import typing
from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple, NoReturn, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from vision.errors import InputFileError

Model = TypeVar("Model", bound=BaseModel)
Where = tuple[str | int, ...]  # the keys and positions that lead to a place in a file


class Problem(NamedTuple):
    """A place in a file, and what is wrong there with what to do."""

    where: Where
    says: str


MOST_BYTES = 8_000_000  # a kit of 120 plates takes 20 kB; common practice, no source
MOST_DEEP = 40  # our deepest format takes 7
MOST_SAID = 6  # more problems than these are counted, not listed

_TYPE_WORDS = {
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "string_type": "a text in quotes",
    "bool_type": "true or false",
    "dict_type": "an object in braces {…}",
    "model_type": "an object in braces {…}",
    "list_type": "a list in brackets […]",
    "reference": "a path in quotes or an object in braces {…}",
    "finite_number": "a finite number",
    "iso_date": "a day of the calendar written as 2026-03-14",
}
_UNITS_MM = (("inches", 25.4), ("metres", 1000.0), ("centimetres", 10.0), ("feet", 304.8))


def parse_json(data: bytes, source: str, error: type[InputFileError], most_bytes: int = MOST_BYTES) -> Any:
    """The JSON value in a file's bytes.

    Args:
        source: How the messages name the file.
        error: The class to raise.
    """
    if len(data) > most_bytes:
        raise error(f"{source} has {len(data) / 1e6:.0f} MB, where a few kB are usual. Is it the right file?")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        raise error(f"{source} is not UTF-8 text. Save it again as UTF-8 in the editor.") from wrong
    if not text.strip():
        raise error(f"{source} is empty. Write the description into it, or restore it from a copy.")

    def refuse(what: str) -> NoReturn:
        raise error(f"{source}: {what}")

    def unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for key, value in pairs:
            if key in found:
                refuse(f"the key {_show(key)} stands twice in one object. Remove one of the two.")
            found[key] = value
        return found

    def finite(digits: str) -> float:
        value = float(digits)
        if not math.isfinite(value):
            refuse(f"the number {digits[:12]} is too large. Correct its exponent.")
        return value

    def whole(digits: str) -> int:
        if len(digits) > 30:  # no key takes such a figure, and longer ones cannot become a float
            refuse(f"the number {digits[:12]}… is too large. Correct it.")
        return int(digits)

    try:
        value = json.loads(
            text,
            object_pairs_hook=unique,
            parse_float=finite,
            parse_int=whole,
            parse_constant=lambda word: refuse(
                f"{word} is no number. Enter the figure, or leave the key out."
            ),
        )
    except json.JSONDecodeError as wrong:
        raise error(
            f"{source} is not readable as JSON at line {wrong.lineno}, column {wrong.colno} ({wrong.msg}). "
            "Often a comma, quote or bracket just before that place is missing or one too many; "
            "decimals take a point."
        ) from wrong
    except RecursionError as wrong:
        raise error(f"{source}: its brackets are nested too deep. Is it the right file?") from wrong
    if _is_deep(value):
        refuse("its brackets are nested too deep. Is it the right file?")
    try:
        json.dumps(value, ensure_ascii=False).encode()
    except UnicodeEncodeError as wrong:
        raise error(f"{source} has half a character (a lone \\ud8xx). Type the text again.") from wrong
    return value


def _is_deep(value: Any) -> bool:
    """Whether brackets nest beyond MOST_DEEP, where later readers would run out of stack."""
    level = [value]
    for _ in range(MOST_DEEP):
        level = [
            part
            for one in level
            if isinstance(one, dict | list)
            for part in (one.values() if isinstance(one, dict) else one)
        ]
    return bool(level)


def check(
    model: type[Model],
    value: Any,
    source: str,
    error: type[InputFileError],
    inside: Where = (),
) -> tuple[Model, tuple[str, ...]]:
    """A file model made from a JSON value, and warnings about keys that are ignored.

    Args:
        inside: The keys that lead to `value` where it is part of a larger file.

    Raises:
        InputFileError: As `error`; one line per problem, each naming file and key.
    """
    if isinstance(value, dict) and "format" in model.model_fields:
        wanted = typing.get_args(model.model_fields["format"].annotation)[0]
        if inside:
            value = {"format": wanted, **value}  # a part has the version of the whole
        _check_format(value, wanted, source, error, inside)
    try:
        made = model.model_validate(value)
    except ValidationError as wrong:
        found = wrong.errors(include_url=False)
        wrong_keys = [one["loc"][:-1] for one in found if one["loc"][-1:] == ("[key]",)]
        # What stands under a wrong key is not worth a word.
        said = [
            one
            for one in found
            if one["loc"][-1:] == ("[key]",) or not any(one["loc"][: len(key)] == key for key in wrong_keys)
        ]
        raise_problems([_problem(model, one) for one in said], source, error, inside)
    return made, tuple(say(problem, source, inside) for problem in _ignored(made))


def raise_problems(
    problems: Iterable[Problem], source: str, error: type[InputFileError], inside: Where = ()
) -> None:
    """Raise `error` with one line per problem; nothing where there is none."""
    problems = tuple(problems)
    lines = [say(problem, source, inside) for problem in problems]
    more = len(lines) - MOST_SAID
    if more > 0:
        lines[MOST_SAID:] = [f"{source}: and {more} more like these. Correct the first ones and try again."]
    if lines:
        raise error("\n".join(lines), tuple((say_where(inside + p.where), p.says) for p in problems))


def say(problem: Problem, source: str, inside: Where = ()) -> str:
    """One line that names file, key and what to do."""
    place = say_where(inside + problem.where)
    return f"{source}: {place} {problem.says}" if place else f"{source}: {problem.says}"


def say_where(where: Where) -> str:
    """`("fixtures", "front", "plates", 0)` as `fixtures.front.plates[0]`."""
    out = ""
    for key in where:
        if isinstance(key, int):
            out += f"[{key}]"
        else:
            out += ("." if out else "") + (key if key.isprintable() and len(key) < 60 else _show(key))
    return out


def _show(value: Any) -> str:
    """A JSON value for the eye: short, on one line, nothing that a terminal would obey."""
    text = json.dumps(value, ensure_ascii=False)
    text = "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text)
    return text if len(text) <= 60 else text[:57] + "…"


def _check_format(value: dict, wanted: str, source: str, error: type[InputFileError], inside: Where) -> None:
    found = value.get("format")
    if found == wanted:
        return
    kind = wanted.removeprefix("plumbsight.").split("/")[0]
    if found is None:
        says = f'is missing. Is this a {kind} file? Then add "format": "{wanted}".'
    elif isinstance(found, str) and found.startswith(f"plumbsight.{kind}/"):
        says = (
            f'is {_show(found)}, which this program does not read. It reads "{wanted}": update the program.'
        )
    else:
        says = f'is {_show(found)}, but a {kind} file ("{wanted}") is wanted here. Name the right file.'
    raise_problems([Problem(("format",), says)], source, error, inside)


def _problem(model: type[BaseModel], wrong: Any) -> Problem:
    """One of pydantic's findings, in words."""
    where = wrong["loc"]
    if where and where[-1] == "[key]":
        where, key = where[:-2], where[-2]
        return Problem(where, _wrong_key(key, wrong.get("ctx", {}), _field_at(model, where)))
    return Problem(where, _wrong_value(where, wrong, _field_at(model, where)).rstrip())


def _wrong_value(where: Where, wrong: Any, field: FieldInfo | None) -> str:
    kind, value = wrong["type"], wrong["input"]
    what, advice = _what(field), _advice(field)
    if kind == "missing":
        return f"is missing{': it is ' + what if what else ''}. {advice}"
    if kind in _TYPE_WORDS and not where:
        return f"{_show(value)} stands where the description, {_TYPE_WORDS[kind]}, must begin. Write it so."
    if kind in _TYPE_WORDS:
        it_is = f" It is {what}." if what else ""
        return f"is {_show(value)}: it must be {_TYPE_WORDS[kind]}.{it_is} {_type_hint(kind, value)}{advice}"
    if kind in ("too_short", "too_long"):
        entries = "1 entry" if len(value) == 1 else f"{len(value)} entries"
        return f"has {entries}: it is {what or 'a list'}. {advice}"
    if kind == "literal_error":
        return f"is {_show(value)}: it must be {wrong['ctx']['expected']}. {advice}"
    if kind in ("string_pattern_mismatch", "string_too_long"):
        return f"is {_show(value)}: it must be a visible text of at most 200 characters on one line. {advice}"
    return _out_of_range(where, value, field)


def _out_of_range(where: Where, value: Any, field: FieldInfo | None) -> str:
    key = next((k for k in reversed(where) if isinstance(k, str)), "")
    unit = " mm" if key.endswith("_mm") else ""
    low, high = _bounds(field)
    it_is = f"is {_show(value)}{unit}: it is {_what(field) or 'a number'}"
    advice = _EXAMPLE.sub(rf"\g<0>{unit}", _advice(field).replace("millimetres, e.g.", "e.g."))
    if key.startswith("u_") and value <= 0:
        return (
            f"{it_is} and must be above 0, for a figure that counts as perfectly known "
            f"leaves nothing to adjust. {advice}"
        )
    is_above = any(getattr(part, "gt", None) is not None for part in _metadata(field))
    allowed = _allowed(low, high, is_above, unit)
    return f"{it_is} (allowed: {allowed}). {_unit_hint(key, value, low, high)}{advice}"


# A single number that the advice gives as an example, without what ends the sentence.
_EXAMPLE = re.compile(r"(?<=e\.g\. )-?\d+(?:\.\d+)?(?=[\s,.)]|$)(?! mm)")


def _allowed(low: float | None, high: float | None, is_above: bool, unit: str) -> str:
    if low is None:
        return f"up to {high:g}{unit}"
    if high is None:
        return f"{'above' if is_above else 'from'} {low:g}{unit}"
    return f"above {low:g}{unit}, up to {high:g}{unit}" if is_above else f"{low:g}{unit} to {high:g}{unit}"


def _unit_hint(key: str, value: float, low: float | None, high: float | None) -> str:
    """What the figure would be if it was typed in another unit."""
    if not value or low is None or high is None:
        return ""
    if key.endswith("_mm"):
        fits = [
            f"{value * mm:.5g} mm if these are {unit}"
            for unit, mm in _UNITS_MM
            if low <= value * mm <= high and value < low
        ]
        return f"It would be {', '.join(fits)}. " if fits else ""
    if key.endswith("_deg") and low <= value / 60 <= high:
        return f"It wants degrees: {value / 60:.4g} if these are minutes of arc. "
    if "scale" in key and low <= value / 100 <= high:
        return f"It is no percentage: {value:g} % is {value / 100:.6g}. "
    return ""


def _type_hint(kind: str, value: Any) -> str:
    if kind == "float_type" and isinstance(value, str):
        text = value.strip().replace(",", ".")
        try:
            if math.isfinite(float(text)):
                return f"Write {text}, without quotes and with a decimal point. "
        except ValueError:
            pass
    return ""


def _wrong_key(key: str, bounds: dict, field: FieldInfo | None) -> str:
    if "expected" in bounds:
        return f"has {_show(key)}, which is none of {bounds['expected']}. {_advice(field)}".rstrip()
    return (
        f"has the key {_show(key)}, which cannot be one of {_what(field)}. "
        "Use a plate number such as 7 (no leading zero) or a visible name, as the case may be."
    )


def _field_at(model: type[BaseModel], where: Where) -> FieldInfo | None:
    """The field that speaks for a place in the file: of a list's entry, the list's.

    Its bounds are those of the entry where the entry has its own.
    """
    at: Any = model
    field: FieldInfo | None = None
    for key in where:
        at = _bare(at)
        if isinstance(at, type) and issubclass(at, BaseModel):
            by_key = {one.alias or name: one for name, one in at.model_fields.items()}
            field = by_key.get(str(key))
            if field is None:
                return None
            at = field.annotation
        else:
            arguments = typing.get_args(at)
            if not arguments:
                return field
            at = arguments[-1]
            if isinstance(key, int) and field is not None and typing.get_origin(at) is typing.Annotated:
                entry = FieldInfo.from_annotation(at)
                entry.description = entry.description or field.description
                entry.json_schema_extra = field.json_schema_extra
                field = entry
    return field


def _bare(annotation: Any) -> Any:
    """The type without Annotated and without `| None`."""
    while True:
        origin = typing.get_origin(annotation)
        if origin is typing.Annotated:
            annotation = typing.get_args(annotation)[0]
        elif origin in (typing.Union, types.UnionType):
            annotation = next(a for a in typing.get_args(annotation) if a is not type(None))
        else:
            return annotation


def _what(field: FieldInfo | None) -> str:
    return (field.description or "") if field is not None else ""


def _advice(field: FieldInfo | None) -> str:
    extra = field.json_schema_extra if field is not None else None
    return str(extra.get("x-advice", "")) if isinstance(extra, dict) else ""


def _metadata(field: FieldInfo | None) -> list[Any]:
    return field.metadata if field is not None else []


def _bounds(field: FieldInfo | None) -> tuple[float | None, float | None]:
    found: dict[str, float] = {}
    for part in _metadata(field):
        for name in ("ge", "gt", "le", "lt"):
            if (bound := getattr(part, name, None)) is not None:
                found[name] = bound
    return found.get("ge", found.get("gt")), found.get("le", found.get("lt"))


def _ignored(model: BaseModel) -> Iterator[Problem]:
    """Keys that no field takes, at every depth, with the key that may have been meant."""
    for key in model.model_extra or {}:
        near = difflib.get_close_matches(key, type(model).model_fields, n=1, cutoff=0.75)
        meant = f" Did you mean {near[0]}?" if near else ""
        yield Problem((key,), f"is not a key of this format and was ignored.{meant}")
    for name in type(model).model_fields:
        value = getattr(model, name)
        parts: list[tuple[Where, Any]] = [((), value)]
        if isinstance(value, dict):
            parts = [((key,), entry) for key, entry in value.items()]
        elif isinstance(value, list):
            parts = [((i,), entry) for i, entry in enumerate(value)]
        for key_in, entry in parts:
            if isinstance(entry, BaseModel):
                yield from (Problem((name, *key_in, *where), says) for where, says in _ignored(entry))
