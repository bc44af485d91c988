"""What a person types or writes into a file, as entries: `chip-read zone=2 spot=7 chip=3-4 photo=IMG_0007.jpg`.

Every kind of entry is entered the same way, by the names of its fields; `describe_kinds` prints them all from the
models themselves. A field that names a file takes a path: the file is stored and its hash goes into the entry.
"""

from __future__ import annotations

import json
import re
import tomllib
import types
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import ValidationError

from assessor.desk.incoming import hash_of
from assessor.errors import BadEntry, UnreadablePhoto
from assessor.job.entries import CONTENT, KINDS, Content, FileRef
from assessor.store.files import clean_text
from assessor.tables.loader import describe_invalid

Keep = Callable[[Path], FileRef]
MODELS: dict[str, type[Any]] = {kind.model_fields["kind"].default: kind for kind in get_args(Content)}
# Entered by a command of their own, which does the work that they record.
BY_COMMAND = {
    "job-opened": "job open", "plan-drawn": "job plan", "spot-redrawn": "job plan", "spread-drawn": "job follow",
    "capture-filed": "job file", "assessed": "job assess", "overview-filed": "job overview",
    "suggestion-shown": "job show", "scale-proposed": "job refine",
}  # fmt: skip
# Two fields that people write as one: "chip=3-4" and "size=5x4".
_PAIRS = {
    "chip": ("chip_low", "chip_high"), "csp": ("csp_low", "csp_high"), "stands": ("stands_low", "stands_high"),
    "size": ("length_m", "width_m"),
}  # fmt: skip
_PAIR = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?)\s*(?:[-\u2013xX]\s*([0-9]+(?:\.[0-9]+)?))?\s*")
MOST_BYTES = 1_000_000  # of a file of entries; it is a page of text


@dataclass(frozen=True, slots=True)
class FieldWords:
    """One field of an entry for a person: its name, what it takes, whether it has to be there."""

    name: str
    takes: str
    needed: bool


@dataclass(frozen=True, slots=True)
class KindWords:
    """One kind of entry for a person; command: the command that enters it, None where `job enter` does."""

    kind: str
    what: str
    fields: tuple[FieldWords, ...]
    command: str | None


def entry_from_words(kind: str, words: Sequence[str], keep: Keep) -> Content:
    """Return the entry that `name=value` words describe; raises BadEntry with the field that is wrong."""
    told: dict[str, Any] = {}
    for word in words:
        name, equals, value = word.partition("=")
        if not equals:
            raise BadEntry(f"'{clean_text(word)}' is not written as field=value")
        name = name.strip().replace("-", "_")
        if name in told:
            raise BadEntry(f"'{name}' is given twice")
        told[name] = value
    model = _model(kind)
    return _entry(
        kind,
        {name: _typed(model, name, value) for name, value in _unpaired(model, told).items()},
        keep,
        Path(),
    )


def entries_from_file(file: Path, keep: Keep) -> tuple[Content, ...]:
    """Return the entries of a TOML file (`[[entry]]` tables with `kind`); paths in it are looked up beside it."""
    try:
        data = file.read_bytes()
    except OSError as error:
        raise BadEntry(f"the file cannot be read ({error.strerror})", file=str(file)) from error
    if len(data) > MOST_BYTES:
        raise BadEntry(
            f"the file has {len(data)} bytes, a file of entries has at most {MOST_BYTES}", file=str(file)
        )
    try:
        told = tomllib.loads(data.decode("utf-8"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise BadEntry(f"the file is not valid TOML ({error})", file=str(file)) from error
    rows = told.get("entry")
    if not isinstance(rows, list) or not rows or set(told) != {"entry"}:
        raise BadEntry("the file needs [[entry]] tables and nothing else", file=str(file))
    # All are checked before any file is stored: all entries are written, or none.
    for how in (_stand_in, keep):
        found = [_row(file, number, row, how) for number, row in enumerate(rows, start=1)]
    return tuple(found)


def _row(file: Path, number: int, row: Any, keep: Keep) -> Content:
    values = dict(row) if isinstance(row, dict) else {}
    kind = str(values.pop("kind", ""))
    try:
        return _entry(kind, _unpaired(_model(kind), values), keep, file.parent)
    except BadEntry as error:
        found = f"{error.file}: {error.found}" if error.file else error.found
        raise BadEntry(f"entry {number}: {found}", file=str(file)) from error


def hash_only(path: Path) -> FileRef:
    """The file as the store would name it, not stored: for a look at what the gates say."""
    try:
        return FileRef(sha256=hash_of(path), name=clean_text(path.name))
    except UnreadablePhoto as error:
        raise BadEntry(error.found, file=error.file) from error


def _stand_in(_: Path) -> FileRef:
    return FileRef(sha256="0" * 64, name="file")


def describe_kinds() -> tuple[KindWords, ...]:
    """Every kind of entry with its fields, as the models have them."""
    found = []
    for kind in KINDS:
        model = MODELS[kind]
        fields = [
            FieldWords(name, _takes(field.annotation), field.is_required())
            for name, field in model.model_fields.items()
            if name != "kind"
        ]
        what = (model.__doc__ or "").strip().splitlines()[0]
        found.append(KindWords(kind, what, tuple(fields), BY_COMMAND.get(kind)))
    return tuple(found)


def _model(kind: str) -> type[Any]:
    if kind in BY_COMMAND:
        raise BadEntry(f"'{kind}' is entered by `assessor {BY_COMMAND[kind]}`")
    if kind not in MODELS:
        known = ", ".join(name for name in KINDS if name not in BY_COMMAND)
        raise BadEntry(f"there is no kind of entry '{clean_text(kind)}' (known: {known})")
    return MODELS[kind]


def _entry(kind: str, told: Mapping[str, Any], keep: Keep, beside: Path) -> Content:
    model = _model(kind)
    unknown = sorted(set(told) - set(model.model_fields) | ({"kind"} & set(told)))
    if unknown:
        known = ", ".join(name for name in model.model_fields if name != "kind")
        raise BadEntry(f"'{kind}' has no field '{clean_text(unknown[0])}' (fields: {known})")

    # Checked before any file is stored: a stand-in for each file shows whether the rest holds.
    def values(how: Keep) -> dict[str, Any]:
        return {name: _filed(model, name, value, how, beside) for name, value in told.items()}

    checked({"kind": kind, **values(_stand_in)})
    return checked({"kind": kind, **values(keep)})


def checked(told: Mapping[str, Any]) -> Content:
    """The entry of plain values, `kind` among them; raises BadEntry."""
    kind = told["kind"]
    try:
        return CONTENT.validate_python(dict(told))
    except ValidationError as error:
        what = describe_invalid(error).removeprefix(f"{kind}.").removeprefix(f"{kind}: ")
        what = what.replace("value error, ", "").replace("string should match pattern", "is not written as")
        raise BadEntry(f"{kind}: {what}") from error


def _unpaired(model: type[Any], told: Mapping[str, Any]) -> dict[str, Any]:
    """The same with "chip=3-4" and its like taken apart."""
    found: dict[str, Any] = {}
    for name, value in told.items():
        pair = _PAIRS.get(name)
        if pair is None or name in model.model_fields or pair[0] not in model.model_fields:
            found[name] = value
            continue
        match = _PAIR.fullmatch(str(value))
        if match is None:
            raise BadEntry(
                f"'{name}={clean_text(str(value))}' is not written as one number or as two, such as 3-4"
            )
        found[pair[0]], found[pair[1]] = match[1], match[2] or match[1]
    return found


def _typed(model: type[Any], name: str, value: str) -> Any:
    """A typed word as pydantic takes it: lists by commas, JSON where it looks like it, yes and no."""
    field = model.model_fields.get(name)
    if field is None:
        return value
    text = value.strip()
    if text[:1] in {"[", "{"}:
        try:
            return json.loads(text)
        except json.JSONDecodeError as error:
            raise BadEntry(f"'{name}' looks like JSON and is none ({error})") from error
    inner = _plain(field.annotation)
    if get_origin(inner) is tuple:
        split = ";" if _plain(get_args(inner)[0]) is str else ","
        return tuple(part.strip() for part in text.split(split) if part.strip())
    if text.casefold() in {"yes", "no"} and (inner is bool or get_args(inner) == (True,)):
        return text.casefold() == "yes"
    return value


def _filed(model: type[Any], name: str, value: Any, keep: Keep, beside: Path) -> Any:
    """A field's value with its paths stored."""
    inner = _plain(model.model_fields[name].annotation)
    if inner is FileRef and isinstance(value, str):
        return _stored(value, keep, beside)
    if (
        get_origin(inner) is tuple
        and _plain(get_args(inner)[0]) is FileRef
        and isinstance(value, list | tuple)
    ):
        return tuple(_stored(part, keep, beside) if isinstance(part, str) else part for part in value)
    return value


def _stored(text: str, keep: Keep, beside: Path) -> FileRef:
    path = beside / Path(text).expanduser()
    if not path.is_file():
        raise BadEntry("there is no such file", file=clean_text(str(path)))
    return keep(path)


def _plain(annotation: Any) -> Any:
    """An annotation without Annotated and without "or None"."""
    while hasattr(annotation, "__metadata__"):
        annotation = get_args(annotation)[0]
    if get_origin(annotation) in {Union, types.UnionType}:
        some = [part for part in get_args(annotation) if part is not type(None)]
        return _plain(some[0]) if len(some) == 1 else annotation
    return annotation


def _takes(annotation: Any) -> str:
    """What a field takes, in words."""
    inner = _plain(annotation)
    if get_origin(inner) is tuple:
        part = _takes(get_args(inner)[0])
        if part == "JSON" or part.startswith("several"):
            return "a JSON list"
        return f"several: {part}, with {';' if part == 'words' else ','} between"
    if get_origin(inner) is Literal:
        options = get_args(inner)
        return "yes" if options == (True,) else " or ".join(map(str, options))
    if inner is FileRef:
        return "a file"
    names = {str: "words", int: "a whole number", float: "a number", bool: "yes or no"}
    return names.get(inner, "JSON")
