"""Where the keys of a file stand, which neither tomli nor json tells.

The text is one that those have read, so it is only cut into tokens and its brackets are followed. Only what leads to a
wanted place is looked into: a file may hold hundreds of thousands.
"""

import bisect
import json
import re
from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass, field

import tomli

from stackopt.errors import FAULTS_LIMIT
from stackopt.problem.rules import path, under

# A text that does not end is one to the end of its line or of the file: so nothing is looked at twice.
TEXT_OR_REMARK = re.compile(
    r'"""(?:[^"\\]++|\\.|"(?!""))*+"{0,5}' r"|'{3}(?:[^']++|'(?!''))*+'{0,5}"
    r'|"(?:[^"\\\n]++|\\.)*+"?' r"|'[^'\n]*+'?" r"|\#[^\n]*+", re.DOTALL)  # fmt: skip
_TOML = re.compile(TEXT_OR_REMARK.pattern + r"""|[\[\]{}=,.\n]|[^\s\[\]{}=,."'\#]++""", re.DOTALL)
_JSON = re.compile(r'"(?:[^"\\]++|\\.)*+"|[\[\]{}:,\n]|[^\s\[\]{}:,"]++', re.DOTALL)


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


def lines_of(text: str, is_json: bool, wanted: Collection[str]) -> dict[str, int]:
    r"""The line of every key and list item, by its place as `rules.path` has it, that leads to a wanted one.

    >>> lines_of('a = 1\n[[b]]\nc = { d = [1,\n2] }\n', False, ["b[1].c.d[2]"])
    {'b': 2, 'b[1]': 2, 'b[1].c': 3, 'b[1].c.d': 3, 'b[1].c.d[2]': 4}
    """
    return _followed(text, is_json, sorted(wanted))[0]


def twice_in(text: str) -> list[tuple[str, int]]:
    r"""Keys of a JSON text that its table has already, and their lines; no more than are listed, and one.

    >>> twice_in('{"a": [{"b": 1,\n"b": 2}]}')
    [('a[1].b', 2)]
    """
    return _followed(text, True, [])[1]


def _followed(text: str, is_json: bool, wanted: list[str]) -> tuple[dict[str, int], list[tuple[str, int]]]:
    lines: dict[str, int] = {}
    twice: list[tuple[str, int]] = []
    counts: Counter[str] = Counter()  # of [[tables]] so far

    def leads(place: str) -> bool:
        at = bisect.bisect_left(wanted, place)
        return at < len(wanted) and wanted[at].startswith(place)

    def at_last(place: str) -> str:
        """A table under [[point]] belongs to the last of them."""
        return f"{place}[{counts[place]}]" if counts[place] else place

    def note(place: str, line: int) -> str | None:
        if not leads(place):
            return None
        lines.setdefault(place, line)
        return place

    def keyed(place: str, keys: list[str]) -> str:
        *tables, key = (_key(token, is_json) for token in keys)
        for table in tables:
            place = at_last(under(place, table))
        return under(place, key)

    root = _Open(None, value="", begun=True) if is_json else _Open("")
    opened, line, at, header = [root], 1, 1, 0
    keys: list[str] = []
    for match in (_JSON if is_json else _TOML).finditer(text + "\n"):
        token, top = match[0], opened[-1]
        if token == "\n":
            if top is root and not is_json:
                if header:
                    place = note(keyed("", keys), at)
                    if place is not None and header == 2:
                        counts[place] += 1
                    root.place = None if place is None else note(at_last(place), at)
                root.begun, header, keys = False, 0, []
            line += 1
            continue
        if token[0] == "#" and not is_json:
            continue
        if token in ("]", "}") and not header:
            opened.pop()
        elif token == "," and not header:
            top.begun = False
        elif top.begun or top.is_list:
            if not top.begun:
                top.begun, top.step, top.items = True, top.items, top.items + 1
                top.value = None if top.place is None else note(under(top.place, top.step), line)
            if token in ("[", "{"):
                opened.append(_Open(top.value, token == "["))
            elif token[:3] in ('"""', "'''"):
                line += token.count("\n")
        elif token in ("=", ":"):
            if is_json:
                top.step = key = _key(keys[0], True)
                if key in top.keys and len(twice) <= FAULTS_LIMIT:
                    twice.append((path(tuple(each.step for each in opened[1:])), at))
                top.keys.add(key)
            top.value = None if top.place is None else note(keyed(top.place, keys), at)
            top.begun, keys = True, []
        elif token == "[":
            header += 1
            at = line
        elif token not in (".", "]"):
            at = at if keys or header else line
            keys.append(token)
    return lines, twice


def _key(token: str, is_json: bool) -> str:
    if token[0] not in "\"'":
        return token
    if token[0] == "'" or "\\" not in token:
        return token[1:-1]
    return str(json.loads(token) if is_json else tomli.loads(f"key = {token}")["key"])
