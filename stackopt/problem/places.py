"""Where the keys of a file stand, which neither tomli nor json tells.

The text is one that those have read, so it is only cut into tokens and its brackets are followed. Only what leads to a
wanted place is looked into: a file may hold hundreds of thousands.
"""

import bisect
import json
import re
from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from typing import Any

import tomli

from stackopt.errors import FAULTS_LIMIT
from stackopt.problem.rules import path, under

# A text that does not end is one to the end of its line or of the file: so nothing is looked at twice.
TEXT_OR_REMARK = re.compile(
    r'"""(?:[^"\\]++|\\.|"(?!""))*+"{0,5}' r"|'{3}(?:[^']++|'(?!''))*+'{0,5}"
    r'|"(?:[^"\\\n]++|\\.)*+"?' r"|'[^'\n]*+'?" r"|\#[^\n]*+", re.DOTALL)  # fmt: skip
# What is plain goes with its = or :, which makes fewer of them.
_TOML = re.compile(
    TEXT_OR_REMARK.pattern + r"""|=[ \t]*+[^\s\[\]{}=,"'\#]*+|[\[\]{},.\n]|[^\s\[\]{}=,."'\#]++""", re.DOTALL)
_JSON = re.compile(r'"(?:[^"\\]++|\\.)*+"|:[ \t]*+[^\s\[\]{}:,"]*+|[\[\]{},\n]|[^\s\[\]{}:,"]++', re.DOTALL)


@dataclass(slots=True)
class _Open:
    """A list or table that is open, and the value in it that is being read."""

    place: str | None  # None: nothing in it is wanted
    is_list: bool = False
    value: str | None = None  # the place of the value
    step: str | int = ""  # its key or number
    items: int = 0  # of a list, so far
    begun: bool = False
    keys: set[str] = field(default_factory=set)


def lines_of(text: str, is_json: bool, wanted: Collection[str], data: Any = None) -> dict[str, int]:
    r"""The line of every key and list item, by its place as `rules.path` has it, that leads to a wanted one.

    With `data`, what the text says, it is read no further than to the last of them that is there.

    >>> lines_of('a = 1\n[[b]]\nc = { d = [1,\n2] }\n', False, ["b[1].c.d[2]"])
    {'b': 2, 'b[1]': 2, 'b[1].c': 3, 'b[1].c.d': 3, 'b[1].c.d[2]': 4}
    """
    rising = sorted(wanted)
    return _followed(text, is_json, rising, None if data is None else _count(data, rising))[0]


def twice_in(text: str) -> list[tuple[str, int]]:
    r"""Keys of a JSON text that its table has already, and their lines; no more than are listed, and one.

    >>> twice_in('{"a": [{"b": 1,\n"b": 2}]}')
    [('a[1].b', 2)]
    """
    return _followed(text, True, [], None)[1]


def _leads(place: str, wanted: list[str]) -> bool:
    """Whether a place may be wanted, or something in it."""
    at = bisect.bisect_left(wanted, place)
    return at < len(wanted) and wanted[at].startswith(place)


def _holds(place: str, wanted: list[str]) -> bool:
    """Whether something in a place is wanted."""
    return _leads(f"{place}.", wanted) or _leads(f"{place}[", wanted)


def _count(data: Any, wanted: list[str]) -> int:
    """How many places lead to wanted ones."""
    places, inside = set(), [("", data)]
    while inside:
        place, value = inside.pop()
        steps = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
        for step, part in steps:
            if _leads(inner := under(place, step), wanted):
                places.add(inner)
                if _holds(inner, wanted):
                    inside.append((inner, part))
    return len(places)


def _followed(text: str, is_json: bool, wanted: list[str], count: int | None
              ) -> tuple[dict[str, int], list[tuple[str, int]]]:  # fmt: skip
    """Lines of places, and keys twice; no more is read once there are `count` lines, or enough keys."""
    lines: dict[str, int] = {}
    twice: list[tuple[str, int]] = []
    counts: Counter[str] = Counter()  # of [[tables]] so far

    def at_last(place: str) -> str:
        """A table under [[point]] belongs to the last of them."""
        return f"{place}[{counts[place]}]" if counts[place] else place

    def note(place: str, line: int) -> str | None:
        if not _leads(place, wanted):
            return None
        lines.setdefault(place, line)
        return place if _holds(place, wanted) else None

    def keyed(place: str, keys: list[str], line: int) -> str | None:
        """The place of a key, all of whose tables are noted; None where it leads nowhere."""
        *tables, key = (_key(token, is_json) for token in keys)
        for table in tables:
            if note(inner := at_last(under(place, table)), line) is None:
                return None
            place = inner
        return note(under(place, key), line)

    root = _Open(None, value="", begun=True) if is_json else _Open("")
    opened, line, at, header = [root], 1, 1, 0
    keys: list[str] = []
    tokens = (_JSON if is_json else _TOML).finditer(text + "\n")
    for match in tokens:
        token, top = match[0], opened[-1]
        if header and token != "\n":
            if token == "[":
                header += 1
            elif token not in ("]", ".") and token[0] != "#":
                keys.append(token)
            continue
        if len(lines) == count or len(twice) > FAULTS_LIMIT:
            break
        if token == "\n":
            if top is root and not is_json:
                if header:
                    place = keyed("", keys, at)
                    if place is not None and header == 2:
                        counts[place] += 1
                    root.place = None if place is None else note(at_last(place), at)
                root.begun, header, keys = False, 0, []
            line += 1
            continue
        if token[0] == "#" and not is_json:
            continue
        if token in ("]", "}"):
            opened.pop()
        elif token == ",":
            top.begun = False
        elif top.begun or top.is_list:
            if not top.begun:
                top.begun, top.step, top.items = True, top.items, top.items + 1
                top.value = None if top.place is None else note(under(top.place, top.step), line)
            if token in ("[", "{") and top.value is None and count is not None:
                line += _passed(tokens)
            elif token in ("[", "{"):
                opened.append(_Open(top.value, token == "["))
            elif token[:3] in ('"""', "'''"):
                line += token.count("\n")
        elif token[0] in "=:":
            if is_json:
                top.step = key = _key(keys[0], True)
                if key in top.keys:
                    twice.append((path(tuple(each.step for each in opened[1:])), at))
                top.keys.add(key)
            top.value = None if top.place is None else keyed(top.place, keys, at)
            top.begun, keys = True, []
        elif token == "[":
            header, at = 1, line
        elif token != ".":
            at = at if keys else line
            keys.append(token)
    return lines, twice


def _passed(tokens: Iterator[re.Match[str]]) -> int:
    """Read to the end of a list or table in which nothing is wanted; how many lines that was."""
    depth, lines = 1, 0
    for match in tokens:
        token = match[0]
        if token in ("]", "}"):
            depth -= 1
            if not depth:
                break
        elif token in ("[", "{"):
            depth += 1
        elif token == "\n" or token[0] in "\"'":
            lines += token.count("\n")
    return lines


def _key(token: str, is_json: bool) -> str:
    if token[0] not in "\"'":
        return token
    if token[0] == "'" or "\\" not in token:
        return token[1:-1]
    return str(json.loads(token) if is_json else tomli.loads(f"key = {token}")["key"])
