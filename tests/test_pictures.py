"""The pictures: whole SVG that fits in a page, with the figures of the answer, whatever names a file has."""

import re
import subprocess
import sys
from functools import cache
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

import stackopt
from stackopt.errors import StackoptError
from stackopt.report import pictures
from stackopt.report.pictures import canvas, limit_picture
from stackopt.report.pictures.scale import Scale

pytest.importorskip("matplotlib", reason="the pictures need matplotlib: pip install stackopt[report]")

PROBLEMS = Path(__file__).parents[1] / "problems"
FILES = sorted(f.name for f in PROBLEMS.iterdir() if f.suffix in (".toml", ".json") and ".answer" not in f.name)
SVG = "{http://www.w3.org/2000/svg}"
OF_RESULT = ("rate_map", "doses", "air", "limits")
TRADED = ("free-dial.toml", "short-air.toml", "two-generators.toml", "drill-head.toml", "clash.toml")
NAMES = ("$x_1$ $", "_hidden", "<img src=x onerror=alert(1)>", "</script><script>alert(1)</script>",
         "gnp.exe \u05d0\u05d1\u05d2", "N" * 300, "a b c", "\u65e5\u672c\u8a9e\u7a74",
         "]]>&amp;\"'--><!--", "$\\frac{1}{0", "\ufffe\uffff", "</svg>", "&#60;b&#62;", "url(#x) style:")  # fmt: skip


@cache
def result_of(file):
    return stackopt.solve(stackopt.read(PROBLEMS / file))


@cache
def tradeoff_of(file):
    return stackopt.tradeoff(stackopt.read(PROBLEMS / file))


def machine(names, **generator):
    """A machine with hard names: of points, pumps, marks and nozzles."""
    points = [{"name": name, "dose": f"{12 + 3 * (i % 7)} mL/h", "tolerance": "20 %", "nozzle": "</desc>",
               "pump": ["$p_1", "</title>"] if i % 2 else "$p_1",
               "air_per_dose": {"min": "60 L/mL"} if i % 3 else {"min": "60 L/mL", "max": "300 L/mL"}}
              for i, name in enumerate(names)]  # fmt: skip
    return stackopt.Problem(
        title="</title>$",
        fluid={"kind": "neat oil"},
        generator={"rate": {"min": "4/min", "max": "60/min", "step": "1/min"}, "stroke_air": "0.01 L", **generator},
        pumps={"$p_1": {"stroke_volume": "0.06 mL", "marks": {"_1$": 0.2, "<b>": 0.6, "&": 1.0}},
               "</title>": {"stroke_volume": "0.02 mL", "marks": {"1": 0.3, "2": 0.6, "M" * 300: 1.0}}},
        nozzles={"</desc>": {"turns": [0, 1, 2], "flow": ["0 L/min", "32 L/min", "64 L/min"]}},
        air={"pressure": "6 bar", "capacity": f"{40 * len(names)} L/min"},
        point=points,
    )  # fmt: skip


@cache
def hard():
    problem = machine(NAMES, drift="3 %")
    return stackopt.solve(problem), stackopt.tradeoff(problem)


def drawn(file):
    """All pictures of a file by name; the trade-off where it is quickly known."""
    result = result_of(file)
    found = {name: getattr(pictures, name)(result) for name in OF_RESULT}
    if file in TRADED:
        found["trade_off"] = pictures.trade_off(tradeoff_of(file), result)
    return found


def drawn_hard():
    result, tradeoff = hard()
    return {**{name: getattr(pictures, name)(result) for name in OF_RESULT},
            "trade_off": pictures.trade_off(tradeoff, result)}  # fmt: skip


def texts(svg):
    return [node.text for node in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def near(text, value, digits=6):
    """Whether a written figure is this one, to its digits."""
    return abs(float(text) - value) <= 0.51 * 10.0 ** (np.floor(np.log10(abs(value) or 1)) + 1 - digits)


# As SVG in a page

@pytest.mark.parametrize("file", FILES)
def test_every_file_gives_whole_pictures_that_fit_in_one_page(file):
    ids = []
    for svg in drawn(file).values():
        root = ElementTree.fromstring(svg)
        assert root.tag == f"{SVG}svg" and root.get("role") == "img" and root.get("viewBox").startswith("0 0 760 ")
        title, desc = root[0], root[1]
        assert (title.tag, desc.tag) == (f"{SVG}title", f"{SVG}desc") and title.text and desc.text
        assert root.get("aria-labelledby") == f"{title.get('id')} {desc.get('id')}"
        own = [node.get("id") for node in root.iter() if node.get("id")]
        used = re.findall(r"url\(#([^)]*)\)", svg) + re.findall(r'href="#([^"]*)"', svg)
        assert set(used) <= set(own)
        ids += own
        assert len(svg.encode()) < 150_000
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("file", [*TRADED, "head-32.toml", None])
def test_pictures_hold_nothing_active_nothing_from_outside_and_no_inline_style(file):
    for svg in (drawn(file) if file else drawn_hard()).values():
        tags = {node.tag.removeprefix(SVG) for node in ElementTree.fromstring(svg).iter()}
        assert tags <= {"svg", "title", "desc", "g", "defs", "path", "use", "text", "pattern", "rect", "clipPath"}
        for node in ElementTree.fromstring(svg).iter():
            assert not [key for key in node.attrib if key.startswith("on") or key == "style"]
            assert node.get("href", "#").startswith("#")
        assert not re.search(r"<\?xml|<!|<script|<style|(?<!xmlns=\")https?:", svg)


def test_the_same_answer_gives_the_same_bytes():
    first, again = drawn("drill-head.toml"), drawn("drill-head.toml")
    assert first == again
    code = ("import hashlib, sys, stackopt; from stackopt.report import pictures\n"
            "result = stackopt.solve(stackopt.read(sys.argv[1]))\n"
            "sys.stdout.write(hashlib.sha256(pictures.rate_map(result).encode()).hexdigest())")  # fmt: skip
    runs = {subprocess.run([sys.executable, "-c", code, PROBLEMS / "drill-head.toml"], capture_output=True, check=True,
                           env={"PYTHONHASHSEED": seed}).stdout for seed in "12"}  # fmt: skip
    assert len(runs) == 1


def test_settings_of_matplotlib_that_someone_made_neither_count_nor_change():
    import matplotlib

    first = drawn("robust.toml")
    with matplotlib.rc_context({"font.size": 40, "svg.fonttype": "path", "lines.linewidth": 9, "hatch.linewidth": 5}):
        assert drawn("robust.toml") == first
        assert matplotlib.rcParams["svg.fonttype"] == "path" and matplotlib.rcParams["font.size"] == 40


def test_matplotlib_is_imported_only_to_draw():
    code = "import sys, stackopt.report.pictures; assert 'matplotlib' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_without_matplotlib_the_error_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with pytest.raises(StackoptError, match=r"pip install 'stackopt\[report\]'") as raised:
        pictures.doses(result_of("robust.toml"))
    assert raised.value.exit_code == 1


# Names

def test_hard_names_are_plain_text_in_one_line_cut_where_long():
    svg = drawn_hard()["doses"]
    found = texts(svg)
    for name in ("$x_1$ $", "_hidden", "a b c", "$\\frac{1}{0", "</svg>", "&#60;b&#62;", "\ufffd\ufffd",
                 "gnp.exe \u05d0\u05d1\u05d2"):  # fmt: skip
        assert name in found, name
    assert any(text.startswith("<img src=x") and text.endswith("..") for text in found)
    assert max(map(len, found)) < 60 and not any("\n" in text for text in found)


def test_hard_names_of_marks_and_pumps_are_plain_text_too():
    found = texts(drawn_hard()["rate_map"])
    assert {"_1$", "<b>", "&"} <= set(found) and any("2 </title>" in text for text in found)


def test_hard_names_stand_whole_in_the_rows():
    result, tradeoff = hard()
    assert [row[0] for row in pictures.doses_rows(result)[1:]] == list(NAMES)
    assert {row[0] for row in pictures.rate_map_rows(result)} >= set(NAMES)
    assert len(pictures.trade_off_rows(tradeoff, result)) > 1


# Figures

@pytest.mark.parametrize("file", FILES)
def test_rows_of_doses_air_and_limits_are_the_figures_of_the_answer(file):
    result = result_of(file)
    answer, points = result.to_dict(), result.stack
    rows = pictures.doses_rows(result)[1:]
    assert len(rows) == len(answer["points"])
    tolerance = dict(zip(points.names, zip(points.below, points.above, strict=True), strict=True))
    for row, point in zip(rows, answer["points"], strict=True):
        below, above = tolerance[point["name"]]
        assert row[0] == point["name"]
        assert near(row[1], point["dose_mL_per_h"]) and near(row[2], point["required_mL_per_h"])
        share = 100 * point["dose_mL_per_h"] / point["required_mL_per_h"]
        assert abs(float(row[3]) - share) < 0.051
        assert abs(float(row[4]) - 100 * (1 - below)) < 0.051 and abs(float(row[5]) - 100 * (1 + above)) < 0.051
        if not result.stack.robust:
            inside = 100 * (1 - below) - 1e-6 <= share <= 100 * (1 + above) + 1e-6
            assert row[6] == ("in tolerance" if inside else "out of tolerance")
    if not answer["points"]:
        assert not rows and not pictures.air_rows(result) and not pictures.limits_rows(result)
        return
    *lanes, nozzles, drive, total, capacity = pictures.air_rows(result)[1:]
    for row, point in zip(lanes, answer["points"], strict=True):
        assert row[0] == point["name"] and near(row[1], point["air_L_per_min"]) and row[4] == point["spray"]
        for text, edge in ((row[2], point["air_min_L_per_min"]), (row[3], point["air_max_L_per_min"])):
            assert near(text, edge) if edge is not None else text == ""
    flow = sum(point["air_L_per_min"] for point in answer["points"])
    assert near(nozzles[1], flow) and near(total[1], answer["air"]["total_L_per_min"])
    assert abs(float(drive[1]) - (answer["air"]["total_L_per_min"] - flow)) < 1e-5 * (1 + float(drive[1]))
    assert near(capacity[1], answer["air"]["capacity_L_per_min"])
    assert total[4] == f"{100 * answer['air']['share']:.1f} % of capacity"
    whole = {row[0]: row for row in pictures.limits_rows(result)[1:]}
    assert whole["capacity"][2] == f"{100 * answer['air']['share']:.1f}"
    if result.pins:
        assert (whole["a lower rate"][3], whole["a higher rate"][3]) == result.pins


@pytest.mark.parametrize("file", [file for file in FILES if file not in ("clash.toml", "robust.toml")])
def test_what_is_used_of_a_tolerance_and_a_window_tells_what_is_out(file):
    result = result_of(file)
    for row, point in zip(pictures.limits_rows(result)[1:], result.to_dict()["points"], strict=False):
        used = [10_000.0 if text.startswith("over") else float(text) for text in row[1:3] if text]
        assert (max(used) <= 100.05) == point["in_tolerance"]
        assert ("outside" in row[3]) == (not point["in_tolerance"])
        low, high = point["air_min_L_per_min"], point["air_max_L_per_min"]
        if low is not None and high is not None and row[2]:  # 100 % less the room to the nearer edge
            room = min(point["air_L_per_min"] - low, high - point["air_L_per_min"]) / ((high - low) / 2)
            assert abs(used[1] - 100 * (1 - room)) < 0.06


@pytest.mark.parametrize("flow,low,high,used", [
    (40.0, 20.0, 60.0, 0.0),
    (20.0, 20.0, 60.0, 1.0),
    (60.0, 20.0, 60.0, 1.0),
    (70.0, 20.0, 60.0, 1.5),
    (20.0, 20.0, np.inf, 1.0),
    (40.0, 20.0, np.inf, 0.5),
    (0.0, 20.0, np.inf, np.inf),
    (30.0, 0.0, 40.0, 0.75),
    (30.0, 0.0, np.inf, None),
    (30.0, 30.0, 30.0, 0.0),
    (30.0, 50.0, 40.0, np.inf),
])  # fmt: skip
def test_use_of_a_window(flow, low, high, used):
    """Worked by hand: middle 0, edges 1, one edge by the quotient, no room at all infinite."""
    assert limit_picture._air_use(flow, low, high) == used


@pytest.mark.parametrize("file", FILES)
def test_rows_of_the_rate_map_are_those_of_rates(file):
    found = stackopt.rates(stackopt.read(PROBLEMS / file))
    answer, result = found.to_dict(), result_of(file)
    for rows in (pictures.rate_map_rows(found)[1:], pictures.rate_map_rows(result)[1:]):
        bands = [row for row in rows if row[3] and row[3] != "no rate" and row[0] in found.stack.names]
        expected = [(point["name"], band) for point in answer["points"] for band in point["bands"]]
        assert len(bands) == len(expected)
        for row, (name, band) in zip(bands, expected, strict=True):
            assert row[:3] == (name, band["pump"], band["mark"])
            assert near(row[3], band["from_per_min"]) and near(row[4], band["to_per_min"])
        shared = [row for row in rows if row[5] == "shared"]
        assert len(shared) == len(answer["shared"])
        assert all(near(row[3], one["from_per_min"]) and near(row[4], one["to_per_min"])
                   for row, one in zip(shared, answer["shared"], strict=True))  # fmt: skip
    rows = pictures.rate_map_rows(found)[1:]
    numbered = {row[0]: {int(n) for n in row[6].split(", ")} for row in rows if row[6]}
    for n, conflict in enumerate(answer["conflicts"], 1):
        assert {name for name, numbers in numbered.items() if n in numbers} == set(conflict["points"])
    if result.settings is not None:
        chosen = {row[0]: row for row in pictures.rate_map_rows(result)[1:] if row[5].startswith("at ")}
        for point in result.to_dict()["points"]:
            row, rate = chosen[point["name"]], result.generators[point["generator"] - 1]["rate_per_min"]
            assert row[1:3] == (point["pump"], point["mark"]) and near(row[5].split(",")[0].removeprefix("at "), rate)


@pytest.mark.parametrize("file", TRADED)
def test_rows_of_the_trade_off_are_its_plans_and_the_answer_is_marked(file):
    tradeoff, result = tradeoff_of(file), result_of(file)
    answer, rows = tradeoff.to_dict(), pictures.trade_off_rows(tradeoff, result)[1:]
    for n, plan in enumerate(answer["plans"]):
        assert rows[n][0] == str(n + 1) and near(rows[n][3], plan["air_L_per_min"])
        assert abs(float(rows[n][2]) - 100 * plan["mean_error"]) < 0.00051
        assert rows[n][1] == "several" if plan["rate_per_min"] is None else near(rows[n][1], plan["rate_per_min"])
        assert ("knee" in rows[n][5]) == (n == answer["knee"])
    marked = [row for row in rows if "the answer" in row[5]]
    assert len(marked) == (result.settings is not None)
    assert all(near(row[3], result.to_dict()["air"]["total_L_per_min"]) for row in marked)


# Read off the picture as a person would

def ticks(svg):
    """Figures along the axis with their places, from the texts in its line."""
    found = {}
    for node in ElementTree.fromstring(svg).iter(f"{SVG}text"):
        if node.get("text-anchor") == "middle" and re.fullmatch(r"[\d.]+", node.text):
            found.setdefault(round(float(node.get("y")), 1), []).append((float(node.text), float(node.get("x"))))
    return sorted(max(found.values(), key=lambda row: (len({size for size, _ in row}), row)))


def boxes(svg, fill):
    found = []
    for node in ElementTree.fromstring(svg).iter(f"{SVG}path"):
        if node.get("fill") == fill and node.get("d").count("L") == 3:
            across = [float(v) for v in re.findall(r"[ML] ([\d.-]+) ", node.get("d"))]
            found.append((min(across), max(across)))
    return found


@pytest.mark.parametrize("file", ["drill-head.toml", "free-dial.toml", "two-generators.toml", "two-sizes.toml"])
def test_bars_of_the_rate_map_stand_where_its_axis_says(file):
    svg, result = pictures.rate_map(result_of(file)), result_of(file)
    values, places = np.array(ticks(svg)).T
    log = "strokes/min, logarithmic" in texts(svg)
    slope, start = np.polyfit(places, np.log(values) if log else values, 1)
    read = [tuple(np.exp(slope * np.array(box) + start) if log else slope * np.array(box) + start)
            for box in boxes(svg, canvas.DARK)][: len(result.points)]  # fmt: skip
    rows = [row for row in pictures.rate_map_rows(result)[1:] if row[5].startswith("at ")]
    least = 2.5 * abs(slope)  # a bar is drawn 4 px wide at least
    for (low, high), row in zip(read, rows, strict=True):
        for got, want in ((low, float(row[3])), (high, float(row[4]))):
            assert abs(np.log(got / want) if log else got - want) <= least


@pytest.mark.parametrize("file", ["drill-head.toml", "short-air.toml", "head-32.toml"])
def test_the_bar_of_the_total_is_as_long_as_its_share_of_the_capacity(file):
    answer = result_of(file).to_dict()
    flow = sum(point["air_L_per_min"] for point in answer["points"])
    left, right = boxes(pictures.air(result_of(file)), canvas.DARK)[-1]
    whole = boxes(pictures.air(result_of(file)), "#ffffff")[-1]
    assert abs((right - left) / (whole[1] - whole[0]) - flow / answer["air"]["capacity_L_per_min"]) < 1e-4


@pytest.mark.parametrize("low,high,log", [(4, 60, True), (6, 7, True), (0, 0.003, False), (99.99, 100.01, False),
                                          (1e-3, 1e4, True), (109.9991, 110.0002, False)])  # fmt: skip
def test_ticks_are_at_their_figures_apart_and_differ(low, high, log):
    scale = Scale(low, high, 100, 740, log)
    found = scale.ticks()
    assert 2 <= len(found) <= 16 and len({said for _, said in found}) == len(found)
    assert all(low - 1e-9 <= value <= high * (1 + 1e-9) for value, _ in found)
    assert all(scale(b) - scale(a) >= 31 for (a, _), (b, _) in pairwise(found))


# To look at

def luminance(colour):
    # WCAG 2.1, definition of relative luminance
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


def contrast(one, other):
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_text_stands_out_from_what_it_is_written_on():
    # WCAG 2.1, success criterion 1.4.3: 4.5 to 1
    for paper in ("#ffffff", canvas.WASH, canvas.BAND):
        assert contrast(canvas.INK, paper) >= 4.5
    assert contrast(canvas.GREY, "#ffffff") >= 4.5 and contrast("#ffffff", canvas.DARK) >= 4.5
    known = {canvas.INK, canvas.GREY, "#ffffff", None}
    for svg in [*drawn("drill-and-tap.toml").values(), *drawn_hard().values()]:
        assert {node.get("fill") for node in ElementTree.fromstring(svg).iter(f"{SVG}text")} <= known


def test_fills_differ_in_lightness_so_that_grey_printing_tells_them_apart():
    assert contrast(canvas.DARK, canvas.LIGHT) >= 3 and contrast(canvas.DARK, canvas.BAND) >= 3


def test_a_clash_is_told_by_sign_number_and_words():
    found = stackopt.rates(stackopt.read(PROBLEMS / "drill-and-tap.toml"))
    svg = pictures.rate_map(found)
    assert "1, 2" in texts(svg) and "clash: no rate serves all points with this number" in texts(svg)
    assert "Clash 1: drill 3, tap M6." in ElementTree.fromstring(svg)[1].text


def test_many_points_are_thinned_with_a_note_and_the_rows_have_them_all():
    result = stackopt.solve(machine([f"point {i}" for i in range(70)]))
    for name in OF_RESULT:
        svg = getattr(pictures, name)(result)
        drawn_names = [text for text in texts(svg) if re.fullmatch(r"point \d+", text)]
        assert len(drawn_names) == pictures.MOST
        assert "64 of 70 points are drawn; all stand in the table." in texts(svg)
        assert len({row[0] for row in getattr(pictures, f"{name}_rows")(result)} & set(result.stack.names)) == 70


def test_sixteen_points_stay_small():
    result = stackopt.solve(machine([f"point {i}" for i in range(16)]))
    assert all(len(getattr(pictures, name)(result).encode()) < 150_000 for name in OF_RESULT)


def test_without_settings_a_picture_says_so():
    for name in ("doses", "air", "limits"):
        assert texts(getattr(pictures, name)(result_of("clash.toml"))) == [
            "There are no settings to show: no answer was found."]  # fmt: skip
