"""From a TOML table to a typed record: every slip named by file, table and key.

The types of the records say what shape a table has. What a record means, and whether what it
names exists, is checked elsewhere.
"""

import re
import types
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

import msgspec

from loopodds.base.errors import KnowledgeError, unknown_name

Kind = TypeVar("Kind", bound=msgspec.Struct)
Grade = Literal["standard", "handbook", "measured", "common-practice", "estimate"]
Weight = Annotated[float, msgspec.Meta(gt=0)]
GROUNDS = ("source", "grade", "weight")
LARGEST = 1e12
"""Nothing in a car, a workshop or a bill comes near; beyond it sums lose their small parts."""
NOTHING: Mapping[str, str] = {}
PLAIN = {
    "array": "a list",
    "object": "a table",
    "float": "a number",
    "int": "a whole number",
    "str": "a text",
    "bool": "true or false",
}
"""What the shape check calls things, in the words of the files."""


class Grounds(msgspec.Struct, frozen=True):
    """Where a number comes from and how strongly it is held (equivalent number of cars)."""

    source: str
    grade: Grade
    weight: Weight


def read_record(
    kind: type[Kind], entry: object, file: str, name: str, given: Mapping[str, str] = NOTHING
) -> Kind:
    """What stands under a name in a knowledge file as a record.

    Args:
        kind: Its fields are the keys that the table may have.
        given: Fields that the place of the table gives, and no key of it may.

    Raises:
        KnowledgeError: naming file, table and key, with the nearest spelling of a misspelt one.
    """
    if not isinstance(entry, Mapping):
        raise KnowledgeError(f"{file}: {name} must be a table")
    for place, number in _numbers(entry, name):
        if not -LARGEST <= number <= LARGEST:  # nor is nan
            shown = f"{number!r}" if isinstance(number, float) else "a whole number as long as that"
            raise KnowledgeError(f"{file}: {place}: a number is needed, not {shown}")
    try:
        for key in given:
            if key in entry:
                raise msgspec.ValidationError(f"Object contains unknown field `{key}`")
        return msgspec.convert({**entry, **given}, kind)
    except msgspec.ValidationError as error:
        raise KnowledgeError(f"{file}: {_said(str(error), kind, entry, name, given)}") from None


def _numbers(entry: object, place: str) -> Iterator[tuple[str, float]]:
    """Every number below a table, and where it stands."""
    if isinstance(entry, Mapping):
        for key, value in entry.items():
            yield from _numbers(value, f"{place}.{key}")
    elif isinstance(entry, list):
        for number, value in enumerate(entry, start=1):
            yield from _numbers(value, f"{place}[{number}]")
    elif isinstance(entry, int | float):
        yield place, entry


def _said(text: str, kind: Any, entry: Any, place: str, given: Mapping[str, str]) -> str:
    """What the shape check says, in the words of the files, with the place as they write it."""
    text, _, path = text.partition(" - at `$")
    for step, index in re.findall(r"\.(\w+)|\[(\d+|\.\.\.)\]", path):
        kind = _of_value(kind, entry)
        if step:
            field = dict(zip(kind.__struct_encode_fields__, kind.__struct_fields__, strict=True))
            kind, entry = get_type_hints(kind, include_extras=True)[field[step]], entry[step]
            place = f"{place}.{step}"
        elif index == "...":
            kind = get_args(kind)[1]
            key = next((key for key, value in entry.items() if not _fits(value, kind)), "?")
            entry, place = entry.get(key), f"{place}.{key}"
        else:
            kind, entry, place = get_args(kind)[0], entry[int(index)], f"{place}[{int(index) + 1}]"
    words = re.findall(r"`([^`]*)`", text)
    if text.startswith("Object contains unknown field"):
        fields = _of_value(kind, entry).__struct_encode_fields__
        return f"{place}: {unknown_name('key', words[0], [f for f in fields if f not in given])}"
    if text.startswith("Object missing required field"):
        needs = f"does not say its {words[0]}" if words[0] in GROUNDS else f"needs {words[0]!r}"
        return f"{place} {needs}"
    if text.startswith("Invalid enum value"):
        choices = [word for part in _options(kind) for word in get_args(part)]
        return f"{place}: {unknown_name('word', str(entry), choices)}"
    plain = re.sub(r"`([^`]*)`", lambda found: _plain(found[1]), text.partition(", got")[0])
    return f"{place}: {plain[:1].lower()}{plain[1:]}, not {entry!r}"


def _plain(kinds: str) -> str:
    return " or ".join(PLAIN.get(kind, kind) for kind in kinds.split(" | ") if kind != "null")


def _options(kind: Any) -> list[Any]:
    """The types that a field may have, limits apart."""
    joined = get_origin(kind) in (Union, types.UnionType)
    options = get_args(kind) if joined else (kind,)
    return [get_args(one)[0] if get_origin(one) is Annotated else one for one in options]


def _of_value(kind: Any, value: object) -> Any:
    """The type, of those that a field may have, that a value was held against."""
    wanted = Mapping if isinstance(value, Mapping) else tuple
    for option in _options(kind):
        if wanted is Mapping and hasattr(option, "__struct_fields__"):
            return option
        if get_origin(option) is not None and issubclass(get_origin(option), wanted):
            return option
    return kind


def _fits(value: object, kind: Any) -> bool:
    try:
        msgspec.convert(value, kind)
    except msgspec.ValidationError:
        return False
    return True
