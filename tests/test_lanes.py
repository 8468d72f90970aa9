"""Rates as text and in a notebook: lanes lie where the bands are, lines fit their width, names stay data."""

import html.parser
import math
from pathlib import Path

import pytest

import stackopt
from stackopt.report.lanes import lanes

FOLDER = Path(__file__).parent.parent / "problems"
FILES = pytest.mark.parametrize("file", ["drill-head.toml", "drill-and-tap.toml", "free-dial.toml", "two-sizes.toml"])
HOSTILE = ["<img src=x onerror=alert(1)>", "</script><b>", '"; alert(1)', "a" * 300, "\u05d0\u05d1\u05d2"]


def found(file):
    return stackopt.rates(stackopt.read(FOLDER / file))


@pytest.mark.parametrize("width", [60, 80, 137, 200])
@FILES
def test_the_text_fits_its_width(file, width):
    assert max(map(len, found(file).text(width).splitlines())) <= width


@FILES
def test_a_lane_lies_where_the_bands_are(file):
    answer = found(file)
    told, dial = answer.to_dict(), answer.problem.generator.rate
    low, high = dial.min.number, dial.max.number
    lines = lanes(answer, 200)
    wide = min(max(len(point["name"]) for point in told["points"]), 24)
    wide = max(wide, len("shared")) + 2
    for point in told["points"]:
        start = next(n for n, line in enumerate(lines) if line.startswith(point["name"]))
        rows = [lines[start][wide:].ljust(200)]
        for line in lines[start + 1 :]:
            if line[:wide].strip():
                break
            rows.append(line[wide:].ljust(200))
        for band in point["bands"]:
            share = [(math.log(rate / low) / math.log(high / low)) if high > 8 * low else (rate - low) / (high - low)
                     for rate in (band["from_per_min"], band["to_per_min"])]  # fmt: skip
            first, last = (round(part * (200 - wide - 1)) for part in share)
            label = band["mark"] if len(band["mark"]) <= last - first + 1 else "#"
            drawn = label.ljust(last - first + 1, "-")
            assert any(row[first : last + 1] == drawn for row in rows) or len(rows) >= 4


def renamed(name):
    data = stackopt.read(FOLDER / "drill-head.toml").to_dict()
    data["point"][0]["name"] = name
    return stackopt.Problem(**data)


@pytest.mark.parametrize(("wide", "plain"), [
    ("\u5200\u5177", "tool"),  # two ideographs, wide letters of UAX 11: two columns each
    ("\u5200\u5177\u4e00 left", "tool-1 left"),
    ("e\u0301tau", "etau"),  # an accent of its own takes none
])  # fmt: skip
def test_columns_stand_below_each_other_where_letters_are_wide(wide, plain):
    for answer in (stackopt.solve, stackopt.rates):
        one, two = (str(answer(renamed(name))).split("\n\n", 1)[1] for name in (wide, plain))
        assert one.replace(wide, plain) == two


class Tags(html.parser.HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.tags, self.words = [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        assert not any(name.startswith("on") for name, _ in attrs)

    def handle_data(self, data):
        self.words.append(data)


@pytest.mark.parametrize("name", HOSTILE)
def test_a_name_in_a_notebook_is_data(name):
    data = stackopt.read(FOLDER / "drill-head.toml").to_dict()
    data["point"][0]["name"] = name
    problem = stackopt.Problem(**data)
    for answer in (stackopt.solve(problem), stackopt.rates(problem)):
        seen = Tags(answer._repr_html_())
        assert not {"script", "img", "b"} & set(seen.tags) and name in seen.words
        assert "table" in seen.tags and "svg" in seen.tags


def test_a_notebook_without_pictures_has_the_table(monkeypatch):
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    text = found("drill-head.toml")._repr_html_()
    assert "<table>" in text and "svg" not in text
