"""The preferences of a workshop: one TOML file, below options and the environment.

``LOOPODDS_CONFIG`` names the file, else it is ``loopodds/config.toml`` in the user's folder for
such files (``XDG_CONFIG_HOME`` or ``~/.config``, XDG Base Directory Specification 0.8; on Windows
``%APPDATA%``). What an option or a variable of the environment says comes first.
"""

from __future__ import annotations

import os
import re
import sys
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

from loopodds import InspectionError, meant, nearest, write_whole

VARIABLE = "LOOPODDS_CONFIG"


class Key(NamedTuple):
    """One preference: what it is for, what may stand there, and what is so without it."""

    about: str
    choices: tuple[str, ...] = ()
    shipped: str = ""
    variable: str = ""  # of the environment, which comes before the file
    is_file: bool = False


KEYS: Mapping[str, Key] = {
    "pressure": Key("Unit of pressures, gauge.", ("bar", "kPa", "psi", "kg/cm2")),
    "temperature": Key("Unit of temperatures and of their differences.", ("degC", "degF")),
    "mass": Key("Unit of masses.", ("g", "kg", "oz", "lb")),
    "decimal": Key("How a decimal fraction is written on screens.", ("point", "comma"), "point"),
    "name": Key("Name of the workshop, for papers.", variable="LOOPODDS_WORKSHOP"),
    "address": Key(
        "Its address, for papers; lines parted by a semicolon.", variable="LOOPODDS_ADDRESS"
    ),
    "language": Key("Language of the customer's page.", variable="LOOPODDS_LANGUAGE"),
    "prices": Key("Its price file.", variable="LOOPODDS_PRICES", is_file=True),
    "book": Key("Its case book.", variable="LOOPODDS_BOOK", is_file=True),
    "who": Key("Who enters, written beside every entry.", variable="LOOPODDS_WHO"),
    "looks": Key(
        "Who looks at samples: shades are read through that person's eyes, once learnt.",
        variable="LOOPODDS_LOOKS",
    ),
}
DIFFERENCES = {"degC": "K", "degF": "deltaF"}
"""Unit of a difference by that of temperatures."""


class Preferences(NamedTuple):
    """What a file says; empty where there is none."""

    path: Path
    values: Mapping[str, str] = {}

    def units(self) -> dict[str, str]:
        """Unit by dimension, as far as one is preferred."""
        found = {n: self.values[n] for n in ("pressure", "temperature", "mass") if n in self.values}
        if "temperature" in found:
            found["difference"] = DIFFERENCES[found["temperature"]]
        return found

    @property
    def comma(self) -> bool:
        """Whether decimals are written with a comma."""
        return self.values.get("decimal") == "comma"


def config_path() -> Path:
    """Where the preferences lie, whether or not there are any."""
    given = os.environ.get(VARIABLE)
    if given:
        return Path(given).expanduser()
    if sys.platform == "win32":
        folder = Path(os.environ.get("APPDATA") or Path.home() / "AppData" / "Roaming")
    else:
        stated = os.environ.get("XDG_CONFIG_HOME", "")
        folder = Path(stated) if os.path.isabs(stated) else Path.home() / ".config"
    return folder / "loopodds" / "config.toml"


def preferences() -> Preferences:
    """What the file says.

    Raises:
        InspectionError: naming file, line, key and the nearest spelling of what cannot be used.
    """
    path = config_path()
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return Preferences(path)
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8"
        raise InspectionError(f"{path}: cannot be read: {reason}") from error
    return _parsed(path, text)


@lru_cache(maxsize=4)
def _parsed(path: Path, text: str) -> Preferences:
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InspectionError(f"{path}: not valid TOML: {error}") from error
    return Preferences(path, {k: checked(k, v, _place(path, text, k)) for k, v in content.items()})


def _place(path: Path, text: str, key: str) -> str:
    """File and line of a key."""
    begins = re.compile(rf"\s*[\"']?{re.escape(key)}[\"']?\s*[=\].]|\s*\[{re.escape(key)}\]")
    for number, line in enumerate(text.splitlines(), start=1):
        if begins.match(line):
            return f"{path}:{number}"
    return str(path)


def checked(key: str, value: object, place: str) -> str:
    """The value of a preference as it counts.

    Raises:
        InspectionError: naming the place, the key and what may stand there.
    """
    if key not in KEYS:
        alike = meant(key, KEYS)
        hint = f"did you mean {alike[0]!r}?" if alike else f"known: {', '.join(KEYS)}"
        raise InspectionError(f"{place}: unknown key {key!r}; {hint}")
    known = KEYS[key]
    if not isinstance(value, str) or not value.strip():
        raise InspectionError(f"{place}: {key}: a text in quotes stands there, as {_example(key)}")
    text = value.strip()
    if known.choices and text not in known.choices:
        same = [choice for choice in known.choices if choice.lower() == text.lower()]
        close = same[0] if same else nearest(text, known.choices)
        hint = f"did you mean {close!r}?" if close else f"one of {', '.join(known.choices)}"
        raise InspectionError(f"{place}: {key}: {text!r} is none of its values; {hint}")
    return text


def _example(key: str) -> str:
    return f'{key} = "{(KEYS[key].choices or ("...",))[0]}"'


def changed(key: str, value: str | None) -> Path:
    """Write a preference, or take it out, leaving all else in the file as it stands.

    Raises:
        InspectionError: if it cannot be so, or the file cannot be read.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    path = config_path()
    try:
        text = path.read_text(encoding="utf-8") if path.exists() else ""
        document = tomlkit.parse(text)
    except TOMLKitError as error:
        raise InspectionError(f"{path}: not valid TOML: {error}") from error
    if value is not None:
        document[key] = _from_anywhere(key, checked(key, value, "config"))
    elif key in document:
        del document[key]
    else:
        raise InspectionError(f"{path}: {key} is not set there; set: {', '.join(document) or '-'}")
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, tomlkit.dumps(document))
    return path


def _from_anywhere(key: str, value: str) -> str:
    """A value given in some folder, as it stands in the file; what has to be there is looked for.

    Raises:
        LoopoddsError: if a price file or the words of a language are not there.
    """
    from loopodds import Knowledge, load_prices, read_wording

    if key == "language":
        read_wording(value, Knowledge())
        return str(Path(value).expanduser().resolve()) if value.endswith(".toml") else value
    if not KEYS[key].is_file:
        return value
    path = Path(value).expanduser().resolve()
    if key == "prices":
        load_prices(path, Knowledge())
    return str(path)


def file_of(found: Preferences, key: str) -> str:
    """A file that is preferred, from the folder of the preferences on; empty where none is."""
    value = found.values.get(key, "")
    return str(found.path.parent / Path(value).expanduser()) if value else ""


_ACTIVE: ContextVar[Preferences | None] = ContextVar("preferences", default=None)


def active() -> Preferences:
    """The preferences in force in the call that is running."""
    return _ACTIVE.get() or Preferences(Path())


@contextmanager
def in_force() -> Iterator[None]:
    """For the time of a call: what the file says counts, below what the environment says.

    Raises:
        InspectionError: as :func:`preferences`; or naming a price file that is not there.
    """
    found, before = preferences(), dict(os.environ)
    for key, known in KEYS.items():
        if known.variable and not os.environ.get(known.variable) and key in found.values:
            value = file_of(found, key) if known.is_file else found.values[key]
            if key == "prices" and not Path(value).is_file():
                raise InspectionError(f"{found.path}: prices: there is no file {value}")
            os.environ[known.variable] = value
    token = _ACTIVE.set(found)
    try:
        yield
    finally:
        _ACTIVE.reset(token)
        for known in KEYS.values():
            if known.variable in before:
                os.environ[known.variable] = before[known.variable]
            elif known.variable:
                os.environ.pop(known.variable, None)
