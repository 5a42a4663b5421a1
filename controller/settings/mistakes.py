"""How a mistake in the config is told: one line that says where, what, and what to do. No library's jargon.

A value that one key refuses is told by what the key takes, and that is read off the key itself (`taken_by`):
so type, range and sentence cannot drift apart.
"""

import datetime as dt
import types
import typing
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel, Tag, ValidationError
from pydantic.fields import FieldInfo

from controller.settings.tables import Says

UNIONS = (Union, types.UnionType)


class ConfigError(Exception):
    """The config cannot be used. `lines`: one for each mistake, fit to be shown as they are."""

    def __init__(self, lines: Sequence[str]) -> None:
        super().__init__("\n".join(lines))
        self.lines = tuple(lines)


@dataclass(frozen=True)
class Mistake:
    """One thing that is wrong.

    table: as the file writes it, with the id where there are several. key: dotted; "" for the whole table.
    """

    table: str
    key: str
    say: str

    def line(self, file: str) -> str:
        """The line to show."""
        return ": ".join(part for part in (file, self.table, self.key, self.say) if part)


def shown(value: object) -> str:
    """A value as the file would write it, on one line, cut short, control characters escaped."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            text = "".join(each if each.isprintable() else ascii(each)[1:-1] for each in value)
            return f'"{text}"' if len(text) <= 40 else f'"{text[:37]}..."'
        case Mapping():
            return "a table"
        case list() | tuple():
            return "a list" if value else "an empty list"
        case dt.datetime() | dt.date() | dt.time():
            return value.isoformat()
        case int() if abs(value) >= 10**15:
            return "a huge number"
        case _:
            return str(value)


def one_of(choices: Iterable[str]) -> str:
    """`"a", "b" or "c"`."""
    *most, last = map(shown, choices)
    return f"{', '.join(most)} or {last}" if most else last


def did_you_mean(word: object, choices: Iterable[str]) -> str | None:
    """A question with the nearest choice, or None if none is near."""
    near = get_close_matches(word.lower(), choices, n=1) if isinstance(word, str) else []
    return f"did you mean {shown(near[0])}?" if near else None


def unknown(what: str, word: str, choices: Iterable[str]) -> str:
    """What to say of a word that is in no list: the nearest, or the whole list."""
    choices = tuple(choices)
    return f"{shown(word)} is no {what}; {did_you_mean(word, choices) or f'known are {one_of(choices)}'}"


def table_named(name: str, number: int | None, raw: object) -> str:
    """`[site]`, or of several `[[zone]] "salad"`; without a usable id `[[zone]] no. 3`, counted from 1."""
    if number is None:
        return f"[{name}]"
    label = raw.get("id", raw.get("month")) if isinstance(raw, Mapping) else None
    return f"[[{name}]] {shown(label)}" if isinstance(label, str | int) else f"[[{name}]] no. {number + 1}"


def refusals(error: ValidationError, model: type[BaseModel], raw: Mapping[str, Any]) -> list[Mistake]:
    """Each thing a file refused, as a mistake; a needed key that is only misspelt is told once."""
    faults = [(details, *_walk(model, details["loc"])) for details in error.errors(include_url=False)]
    strange = [(path, takes) for details, path, takes in faults if _unknown(details)]
    respelt = [(*path[:-1], _nearest_key(path[-1], takes)) for path, takes in strange]
    return [
        Mistake(*_place(path, raw), _refusal(details, path, takes))
        for details, path, takes in faults
        if details["type"] != "missing" or path not in respelt
    ]


def _place(path: Sequence[int | str], raw: Mapping[str, Any]) -> tuple[str, str]:
    """Table and key of a path from the top of the file."""
    match path:
        case str(name), int(number), *rest:
            return table_named(name, number, raw[name][number]), _dotted(rest)
        case str(name), first, *rest:
            return table_named(name, None, raw), _dotted([first, *rest])
    return "", _dotted(path)


def _unknown(details: Mapping[str, Any]) -> bool:
    return bool(details["type"] == "extra_forbidden")


def _nearest_key(key: int | str, holder: Any) -> str | None:
    return next(iter(get_close_matches(str(key), keys_of(holder), n=1)), None)


def _refusal(details: Mapping[str, Any], path: Sequence[int | str], takes: Any) -> str:
    if _unknown(details):
        return no_such_key(str(path[-1]), keys_of(takes))
    if details["type"] == "missing":
        return f"is missing; give {taken_by(takes)}"
    value = details["input"]
    hint = did_you_mean(value, _choices(takes))
    return f"{shown(value)} does not fit; give {taken_by(takes)}" + (f"; {hint}" if hint else "")


def no_such_key(key: str, keys: Sequence[str]) -> str:
    """What to say of a key that does not exist."""
    return f"there is no such key; {did_you_mean(key, keys) or 'the keys here are ' + ', '.join(keys)}"


def _dotted(path: Iterable[int | str]) -> str:
    key = ""
    for step in path:
        key += f" no. {step + 1}" if isinstance(step, int) else f".{step}"
    text = key.removeprefix(".")
    return "".join(each if each.isprintable() else ascii(each)[1:-1] for each in text)[:80]


# What a key takes ---------------------------------------------------------------------------------


def _walk(annotation: Any, steps: Iterable[int | str]) -> tuple[tuple[int | str, ...], Any]:
    """Go down keys and places in lists: the path as the file has it, and the annotation found at its end
    (of an unknown key, that of the table it stands in).

    Where a value may have two forms the validator names the form as a step of its own; the file does not.
    """
    path: list[int | str] = []
    for step in steps:
        if step in _forms(annotation):
            continue
        path.append(step)
        if isinstance(step, int):
            items = next(get_args(part) for part in _parts(annotation) if get_origin(part) is tuple)
            annotation = items[0] if Ellipsis in items else items[step]
        else:
            fields = (field for model in _models(annotation) for key, field in _fields(model) if key == step)
            annotation = _annotation(next(fields)) if step in keys_of(annotation) else annotation
    return tuple(path), annotation


def _annotation(field: FieldInfo) -> Any:
    return Annotated[(field.annotation, *field.metadata)] if field.metadata else field.annotation


def _forms(annotation: Any) -> list[str]:
    """Names of the forms a value may take, if it may take several."""
    if get_origin(annotation) is Annotated:
        inner, *extras = get_args(annotation)
        return [*_forms(inner), *(extra.tag for extra in extras if isinstance(extra, Tag))]
    if get_origin(annotation) in UNIONS:
        return [form for each in get_args(annotation) for form in _forms(each)]
    return []


def _fields(model: type[BaseModel]) -> list[tuple[str, FieldInfo]]:
    return [(field.alias or name, field) for name, field in model.model_fields.items()]


def _models(annotation: Any) -> list[type[BaseModel]]:
    return [part for part in _parts(annotation) if isinstance(part, type) and issubclass(part, BaseModel)]


def _parts(annotation: Any) -> list[Any]:
    """The alternatives of an annotation, bare: without None and without what `Annotated` adds."""
    if get_origin(annotation) is Annotated:
        return _parts(get_args(annotation)[0])
    if get_origin(annotation) in UNIONS:
        return [part for each in get_args(annotation) for part in _parts(each)]
    return [] if annotation is types.NoneType else [annotation]


def keys_of(annotation: Any) -> list[str]:
    """The keys a table takes."""
    return [key for model in _models(annotation) for key, _ in _fields(model)]


def _choices(annotation: Any) -> list[str]:
    return [choice for part in _parts(annotation) if get_origin(part) is Literal for choice in get_args(part)]


WORDS = {float: "a number", int: "a whole number", bool: "true or false", str: "a text in quotes"}


def taken_by(annotation: Any, extras: tuple[object, ...] = ()) -> str:
    """What a key takes, in words: `a number above 0, at most 200`."""
    if get_origin(annotation) is Annotated:
        inner, *more = get_args(annotation)
        extras = (*extras, *_flat(more))
        said = [extra.words for extra in extras if isinstance(extra, Says)]
        return said[-1] if said else taken_by(inner, extras)
    if get_origin(annotation) in UNIONS:
        kinds = [each for each in get_args(annotation) if each is not types.NoneType]
        return " or ".join(taken_by(each, extras) for each in kinds)
    if get_origin(annotation) is Literal:
        return one_of(get_args(annotation))
    if get_origin(annotation) is tuple:
        return "tables, each with its name in double brackets above it, as [[zone]]"
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        needed = [key for key, field in _fields(annotation) if field.is_required()]
        return "a table" + (f" with {', '.join(needed)}" if needed else "")
    return WORDS[annotation] + _range(extras)


def _flat(extras: Iterable[object]) -> list[object]:
    """Bounds and sentences: what a `Field` holds is taken out of it."""
    split = (extra.metadata if isinstance(extra, FieldInfo) else [extra] for extra in extras)
    return [part for parts in split for part in parts]


def _range(extras: Iterable[object]) -> str:
    bounds = {type(extra): typing.cast(Any, extra) for extra in extras}
    low = f"from {bounds[Ge].ge:g}" if Ge in bounds else f"above {bounds[Gt].gt:g}" if Gt in bounds else ""
    high = f"to {bounds[Le].le:g}" if Le in bounds else f"below {bounds[Lt].lt:g}" if Lt in bounds else ""
    if low.startswith("above") and high.startswith("to"):
        high = f"at most{high[2:]}"
    if low.startswith("above") and high:
        low += ","
    return "".join(f" {bound}" for bound in (low, high) if bound)
