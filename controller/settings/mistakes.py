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

from annotated_types import Ge, Le
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


def nearest(word: object, choices: Iterable[str]) -> list[str]:
    """The choice most like a word; none if none is like it."""
    return get_close_matches(word.lower(), choices, n=1) if isinstance(word, str) else []


def did_you_mean(word: object, choices: Iterable[str]) -> str | None:
    """A question with the nearest choice, or None if none is near."""
    return next((f"did you mean {shown(near)}?" for near in nearest(word, choices)), None)


def unknown(what: str, word: str, choices: Iterable[str]) -> str:
    """What to say of a word that is in no list: the nearest, or the whole list."""
    choices = tuple(choices)
    return f"{shown(word)} is no {what}; {did_you_mean(word, choices) or f'known are {one_of(choices)}'}"


def table_named(name: str, number: int | None, raw: object) -> str:
    """`[site]`, or of several `[[zone]] "salad"`; without a usable id `[[zone]] no. 3`, counted from 1."""
    if number is None:
        return f"[{name}]"
    label = raw.get("id", raw.get("month", raw.get("name"))) if isinstance(raw, Mapping) else None
    return f"[[{name}]] {shown(label)}" if isinstance(label, str | int) else f"[[{name}]] no. {number + 1}"


@dataclass(frozen=True)
class _Fault:
    """One refused value: its path as the file has it, and what is taken there (of an unknown key: around it; of a name
    that is none: as a name)."""

    kind: Literal["unknown key", "no name", "missing", "unfit"]
    path: tuple[int | str, ...]
    takes: Any


def refusals(error: ValidationError, model: type[BaseModel], raw: Mapping[str, Any]) -> list[Mistake]:
    """Each thing a file refused, as a mistake; told once, also where it was refused for more than one reason."""
    faults = dict.fromkeys(_fault(details["type"], details["loc"], model) for details in error.errors())
    misspelt = [fault for fault in faults if fault.kind == "unknown key"]
    meant = [(*fault.path[:-1], *nearest(fault.path[-1], keys_of(fault.takes))) for fault in misspelt]
    return [
        Mistake(*_place(fault, raw), _refusal(fault, raw))
        for fault in faults
        if fault.kind != "missing" or fault.path not in meant
    ]


def _fault(kind: str, loc: tuple[int | str, ...], model: type[BaseModel]) -> _Fault:
    if loc[-1:] == ("[key]",):  # so the validator speaks of a key itself, where keys are names of the gardener's own
        path, holder, _ = _walk(model, loc[:-1])
        names = (get_args(part)[0] for part in _parts(holder) if get_origin(part) is dict)
        return _Fault("no name", path, next(names))
    path, takes, whole = _walk(model, loc)
    if whole and kind in ("extra_forbidden", "missing"):
        return _Fault("missing" if kind == "missing" else "unknown key", path, takes)
    return _Fault("unfit", path, takes)


def _refusal(fault: _Fault, raw: object) -> str:
    if fault.kind == "unknown key":
        keys = keys_of(fault.takes)
        hint = did_you_mean(fault.path[-1], keys) or f"the keys here are {', '.join(keys)}"
        return f"there is no such key; {hint}"
    if fault.kind == "missing":
        return f"is missing; give {taken_by(fault.takes)}"
    value = fault.path[-1] if fault.kind == "no name" else _value(fault.path, raw)
    hints = [f"give {taken_by(fault.takes)}", did_you_mean(value, _choices(fault.takes))]
    return "; ".join([f"{shown(value)} does not fit", *filter(None, hints)])


def _value(path: Iterable[int | str], raw: Any) -> Any:
    for step in path:
        raw = raw[step]
    return raw


def _place(fault: _Fault, raw: Mapping[str, Any]) -> tuple[str, str]:
    """Table and key of a fault, as a file writes them."""
    match fault.path:
        case str(name), int(number), *rest:
            return table_named(name, number, raw[name][number]), _dotted(rest)
        case str(name), first, *rest:
            return table_named(name, None, raw), _dotted([first, *rest])
    name = _dotted(fault.path)
    match raw.get(name, {} if _models(fault.takes) else ()):
        case Mapping():
            return f"[{name}]", ""
        case tuple():
            return f"[[{name}]]", ""
    return name, ""


def _dotted(path: Iterable[int | str]) -> str:
    key = ""
    for step in path:
        key += f" no. {step + 1}" if isinstance(step, int) else f".{step}"
    text = key.removeprefix(".")
    return "".join(each if each.isprintable() else ascii(each)[1:-1] for each in text)[:80]


# What a key takes ---------------------------------------------------------------------------------


def _walk(annotation: Any, steps: Iterable[int | str]) -> tuple[tuple[int | str, ...], Any, bool]:
    """Go down keys and places in lists: the path as the file has it, the annotation found at its end (of an
    unknown key, that of the table around it), and whether the way was gone to its end.

    Where a value may have two forms the validator names the form as a step of its own; the file does not.
    A list that has words for the whole of it is not entered.
    """
    path: list[int | str] = []
    for step in steps:
        if step in _forms(annotation):
            continue
        if isinstance(step, int):
            if any(map(_said, _alternatives(annotation))):
                return tuple(path), annotation, False
            annotation = next(get_args(part)[0] for part in _parts(annotation) if get_origin(part) is tuple)
        else:
            fields = (field for model in _models(annotation) for key, field in _fields(model) if key == step)
            annotation = _annotation(next(fields)) if step in keys_of(annotation) else annotation
        path.append(step)
    return tuple(path), annotation, True


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
        return [part for each in _alternatives(annotation) for part in _parts(each)]
    return [annotation]


def _alternatives(annotation: Any) -> list[Any]:
    """The members of a union, None left out; of anything else, itself."""
    if get_origin(annotation) not in UNIONS:
        return [annotation]
    return [each for each in get_args(annotation) if each is not types.NoneType]


def keys_of(annotation: Any) -> list[str]:
    """The keys a table takes."""
    return [key for model in _models(annotation) for key, _ in _fields(model)]


def _choices(annotation: Any) -> list[str]:
    return [choice for part in _parts(annotation) if get_origin(part) is Literal for choice in get_args(part)]


WORDS = {float: "a number", int: "a whole number", bool: "true or false", str: "a text in quotes"}


def taken_by(annotation: Any, extras: tuple[object, ...] = ()) -> str:
    """What a key takes, in words: `a number from 0.1 to 200`."""
    if get_origin(annotation) is Annotated:
        inner, *more = get_args(annotation)
        extras = (*extras, *_flat(more))
        return _said(annotation) or taken_by(inner, extras)
    if get_origin(annotation) in UNIONS:
        return " or ".join(taken_by(each, extras) for each in _alternatives(annotation))
    if get_origin(annotation) is Literal:
        return one_of(get_args(annotation))
    if get_origin(annotation) is tuple:
        return f"a list: {taken_by(get_args(annotation)[0])} for each, under its name in [[double brackets]]"
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        needed = [key for key, field in _fields(annotation) if field.is_required()]
        return "a table" + (f" with {', '.join(needed)}" if needed else "")
    return WORDS[annotation] + _range(extras)


def _said(annotation: Any) -> str | None:
    """The words of `Says`, if the annotation has any for itself."""
    extras = get_args(annotation)[1:] if get_origin(annotation) is Annotated else ()
    return next((extra.words for extra in reversed(extras) if isinstance(extra, Says)), None)


def _flat(extras: Iterable[object]) -> list[object]:
    """Bounds and sentences: what a `Field` holds is taken out of it."""
    split = (extra.metadata if isinstance(extra, FieldInfo) else [extra] for extra in extras)
    return [part for parts in split for part in parts]


def _range(extras: Iterable[object]) -> str:
    """The bounds of a number; every number of a config has both, each allowed itself."""
    bounds = {type(extra): typing.cast(Any, extra) for extra in extras}
    return f" from {bounds[Ge].ge:g} to {bounds[Le].le:g}" if Ge in bounds else ""
