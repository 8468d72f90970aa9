"""Names and figures as pictures and their rows write them, and how wide they come out."""

import unicodedata
from collections.abc import Sequence

from stackopt.words import number

Rows = list[tuple[str, ...]]

NAME = 24  # letters of a point's name


def plain(text: str, most: int = 10_000) -> str:
    r"""Text in one line without what does not show, cut to a width in letters.

    >>> plain("drill 1", 24), plain("a\u2028b\u202ec"), plain("x" * 300, 9)
    ('drill 1', 'a b�c', 'xxxxxxx..')
    """
    shown = "".join(c if c.isprintable() or c in "\u200c\u200d" else " " if c.isspace() else "\ufffd" for c in text)
    if letters(shown) <= most:
        return shown
    while shown and letters(shown) > most - 2:
        shown = shown[:-1]
    return shown + ".."


def letters(text: str) -> float:
    r"""Width of a text in ordinary letters, rather too much than too little.

    >>> letters("drill"), letters("W"), round(letters("\N{CJK UNIFIED IDEOGRAPH-7A74}"), 9)
    (5.0, 1.6, 1.75)
    """
    return float(sum(map(_letter, text)))


def _letter(c: str) -> float:
    if unicodedata.combining(c):
        return 0.0
    if unicodedata.east_asian_width(c) in "WF":
        return 1.75
    return 1.6 if c in "MWmw@%" else 1.25 if c.isupper() or c in "+<>=~&" or ord(c) > 0x2000 else 1.0


def width(text: str, size: float) -> float:
    """Width of a text [px], rather too much than too little."""
    return 0.63 * size * letters(text)


def percent(value: float) -> str:
    """A share in %, without its sign.

    >>> percent(0.98234)
    '98.2'
    """
    return f"{100 * value:.1f}"


def figure(value: float | None) -> str:
    """A figure for the rows; nothing where there is none.

    >>> figure(26.66666666), figure(None)
    ('26.6667', '')
    """
    return "" if value is None else number(value, 6)


def listed(names: Sequence[str]) -> str:
    """Up to eight names of points, and how many more there are.

    >>> listed(["a", "b"]), listed("abcdefghij")
    ('a, b', 'a, b, c, d, e, f, g, h and 2 more')
    """
    return ", ".join(plain(name, NAME) for name in names[:8]) + (f" and {len(names) - 8} more" if names[8:] else "")


def counted(count: int) -> str:
    """How many points.

    >>> counted(1), counted(2)
    ('1 point', '2 points')
    """
    return "1 point" if count == 1 else f"{count} points"
