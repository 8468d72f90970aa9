"""What pictures are drawn with: a pen on a figure of matplotlib's, and SVG that a page can take."""

import hashlib
import io
import re
import warnings
from collections.abc import Callable
from html import escape
from typing import Any
from xml.etree import ElementTree

from stackopt.errors import StackoptError, library

WIDE = 760  # px
INK, GREY, BAND, PALE = "#1b1b1b", "#565656", "#d4d4d4", "#e2e2e2"
DARK, LIGHT, WASH = "#1d4f8a", "#e8b04a", "#f7e6c3"  # blue and sand, told apart by lightness alone too


class Pen:
    """Draws in px, the origin at the top left, on a figure of matplotlib's."""

    def __init__(self, figure: Any, height: float) -> None:
        self.axes = figure.add_axes([0, 0, 1, 1])
        self.axes.set_axis_off()
        self.axes.set_xlim(0, WIDE)
        self.axes.set_ylim(height, 0)
        self.height = height

    def box(self, left: float, top: float, right: float, bottom: float, fill: str = "none", edge: str = "none",
            dashed: bool = False, hatch: str | None = None) -> None:  # fmt: skip
        """A rectangle."""
        from matplotlib.patches import Rectangle

        self._add(Rectangle((left, top), right - left, bottom - top, facecolor=fill, edgecolor=edge, linewidth=0.8,
                            linestyle=(0, (4, 3)) if dashed else "-", hatch=hatch))  # fmt: skip

    def line(self, *places: tuple[float, float], colour: str = INK, width: float = 1.0, dashed: bool = False) -> None:
        """A line from place to place."""
        from matplotlib.lines import Line2D

        across, down = zip(*places, strict=True)
        self._add(Line2D(across, down, color=colour, linewidth=width, linestyle=(0, (4, 3)) if dashed else "-",
                         solid_capstyle="butt"))  # fmt: skip

    def mark(self, x: float, y: float, shape: str, size: float = 7, fill: str = INK) -> None:
        """A sign about a place, `shape` as matplotlib names its markers."""
        from matplotlib.lines import Line2D

        self._add(Line2D([x], [y], marker=shape, markersize=size, markerfacecolor=fill, markeredgecolor=INK,
                         markeredgewidth=1.0, linestyle="none"))  # fmt: skip

    def _add(self, artist: Any) -> None:
        """Add a shape over those before it; add_patch and plot would also look for limits of axes, which is slow."""
        artist.set(clip_on=False, zorder=2)
        self.axes.add_artist(artist)

    def text(self, x: float, y: float, said: str, size: float = 12, colour: str = INK, side: str = "left",
             bold: bool = False) -> None:  # fmt: skip
        """Text with its middle at y and its `side` at x."""
        self.axes.text(x, y + 0.36 * size, said, fontsize=size, color=colour, ha=side, va="baseline",
                       fontweight="bold" if bold else "normal", clip_on=False, zorder=3)  # fmt: skip

    def dot(self, x: float, y: float, out: bool) -> None:
        """A value: a disc, or, where it is out, an empty diamond."""
        self.mark(x, y, "D" if out else "o", 8 if out else 7, "white" if out else DARK)

    def beyond(self, x: float, y: float, size: float = 6) -> None:
        """The sign of what goes on beyond the picture."""
        self.mark(x, y, ">" if x > WIDE / 2 else "<", size, "white")


def load() -> None:
    """Load what pictures are drawn with."""
    import matplotlib.backends.backend_svg  # noqa: F401


def draw(name: str, title: str, told: str, height: float, paint: Callable[[Pen], None]) -> str:
    """A picture as SVG: `paint` draws it, `told` is what a screen reader says. Raises StackoptError."""
    try:
        import matplotlib
        from matplotlib.figure import Figure
    except ImportError:
        raise StackoptError("the pictures need matplotlib, which is not installed: "
                            "pip install 'stackopt[report]'") from None  # fmt: skip
    with library("the picture"), warnings.catch_warnings(), matplotlib.rc_context():
        warnings.simplefilter("ignore")  # letters that matplotlib's own font lacks: the reader's fonts have them
        matplotlib.rcdefaults()
        matplotlib.rcParams.update({"svg.fonttype": "none", "svg.hashsalt": name, "text.parse_math": False,
                                    "hatch.linewidth": 0.7, "hatch.color": INK, "path.simplify": False})  # fmt: skip
        figure = Figure(figsize=(WIDE / 72, height / 72), facecolor="white")
        paint(Pen(figure, height))
        written = io.StringIO()
        figure.savefig(written, format="svg", metadata={"Date": None, "Creator": None})
    return _tidied(written.getvalue(), name, title, told)


def _tidied(svg: str, name: str, title: str, told: str) -> str:
    """What matplotlib wrote without what a page does not want: prolog, metadata, ids and styles of its own.

    Styles become attributes, since a page's content policy may forbid inline styles; ids that are referred to get a
    prefix of their own.
    """
    root = ElementTree.fromstring(svg)
    prefix = f"{name}-{hashlib.sha256((svg + title + told).encode()).hexdigest()[:8]}"
    kept = {a or b for a, b in re.findall(r"#([A-Za-z][\w.-]*)\)|href=\"#([\w.-]+)\"", svg)}
    parts = [_written(child, prefix, kept) for child in root]
    height = root.attrib["viewBox"].split()[3]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {height}" width="100%" role="img" '
        f'aria-labelledby="{prefix}-title {prefix}-desc" font-family="sans-serif" stroke-linejoin="round">\n'
        f'<title id="{prefix}-title">{escape(title)}</title>\n<desc id="{prefix}-desc">{escape(told)}</desc>\n'
        f"{''.join(parts)}</svg>\n"
    )


def _written(node: ElementTree.Element, prefix: str, kept: set[str]) -> str:
    tag = node.tag.rpartition("}")[2]
    if tag in ("metadata", "style"):
        return ""
    pairs: dict[str, str] = {}
    for key, value in node.attrib.items():
        key = key.rpartition("}")[2]
        if key == "style":
            pairs |= _attributes(value)
        elif key == "id":
            if value in kept:
                pairs["id"] = f"{prefix}-{value}"
        elif key == "d":
            pairs["d"] = " ".join(value.split())
        else:
            pairs[key] = value
    for key, value in pairs.items():
        if key == "href":
            pairs[key] = value.replace("#", f"#{prefix}-")
        elif value.startswith("url(#"):
            pairs[key] = value.replace("url(#", f"url(#{prefix}-")
    inside = escape(node.text) if tag == "text" and node.text else ""
    inside += "".join(_written(child, prefix, kept) for child in node)
    if tag in ("g", "defs") and not inside:
        return ""
    if tag == "g" and not pairs:
        return inside
    opened = tag + "".join(f' {key}="{escape(value)}"' for key, value in pairs.items())
    return f"<{opened}>{inside}</{tag}>\n" if inside else f"<{opened}/>\n"


def _attributes(style: str) -> dict[str, str]:
    """The parts of a style as attributes; the family of a font is said once, for all of the picture."""
    found: dict[str, str] = {}
    for part in style.split(";"):
        key, _, value = (piece.strip() for piece in part.partition(":"))
        if key == "font":
            size = re.search(r"[\d.]+px", value)
            found |= {"font-size": size[0]} if size else {}
            found |= {"font-weight": "700"} if re.search(r"\b(bold|700)\b", value) else {}
        elif key and key not in ("font-family", "stroke-dashoffset"):
            found[key] = value
    return found


def nothing(name: str, title: str, why: str) -> str:
    """A picture that only says why there is none. Raises StackoptError."""
    return draw(name, title, why, 60, lambda pen: pen.text(14, 30, why, 12, GREY))
