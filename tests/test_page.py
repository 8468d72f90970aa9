"""The page of an answer: what stands in it, that names stay data, what a real browser and its printer make of it."""

import base64
import hashlib
import html.parser
import json
import re
from collections import Counter
from contextlib import contextmanager
from datetime import date
from functools import cache
from itertools import pairwise
from pathlib import Path

import browser
import pytest
from test_cli import FILES, put

import stackopt
from stackopt.errors import StackoptError
from stackopt.report import page as pages
from stackopt.report.page import page, rate_check, told

pytestmark = pytest.mark.xdist_group("page")  # what it sets up is for all of its tests

PROBLEMS = Path(__file__).parent.parent / "problems"
TODAY = date(2026, 11, 25)
VOID = {"br", "img", "input", "meta", "link", "hr"}
AIR = {"pressure": "6 bar", "capacity": "900 L/min"}
DOSES, TURNS = (4.5, 9, 13.5, 18), (0.5, 1.0, 1.5, 2.0)


def machine(count, **changes):
    """A machine with all that a sheet can hold: drops, weights, what is set today, a line, three cautions."""
    points = [{"name": f"spindle {i + 1} left", "dose": f"{DOSES[i % 4]} mL/h", "tolerance": "12 %", "pump": "piston30",
               "nozzle": "short", "air_per_dose": {"min": "140 L/mL", "max": "420 L/mL"},
               "now": {"mark": str(1 + (i + i // 4) % 4), "turns": TURNS[i % 4]}} for i in range(count)]  # fmt: skip
    return {
        "title": f"{count} spindles on a transfer line, station 40",
        "fluid": {"kind": "vanishing", "name": "test fluid", "density": "0.8 g/mL", "drop": "0.012 mL"},
        "generator": {"rate": {"min": "4/min", "max": "150/min", "step": "1/min"}, "stroke_air": "0.012 L",
                      "now": "20/min", "drift": "2 %"},
        "pumps": {"piston30": {"stroke_volume": "0.03 mL", "marks": {str(k): k / 5 for k in range(1, 6)},
                               "spread": "3 %"}},
        "nozzles": {"short": {"turns": [0, 0.5, 1, 1.5, 2, 3], "flow": [f"{q} L/min" for q in (0, 13, 24, 33, 40, 46)],
                              "critical_ratio": 0.4}},
        "air": AIR | {"line": {"length": "6 m", "bore": "14 mm"}},
        "weighing": {"balance": "0.01 g"}, "oil_line": {"kind": "coaxial", "length": "3 m", "bore": "2 mm"},
        "reservoir": {"sizes": ["1 L", "2.5 L"], "refill_every": "16 h", "notice": "4 h"},
        "room": {"airflow": "2000 m^3/h", "airborne": "1 %", "limit": "5 mg/m^3"},
        "energy": {"specific_power": "6.4 kW/(m^3/min)", "price_per_kwh": 0.2, "hours": "4000 h"},
        "point": points, **changes,
    }  # fmt: skip


HOSTILE = [
    "<img src=x onerror=alert(1)>", "</script><script>alert(2)</script>", '"; alert(3); //',
    "' onmouseover='alert(4)", "abc turned", "x" * 300, "{{ 7*7 }}{% raw %}", "$\\frac{1}{$ _a", "_under",
    "\u05d0\u05d1\u05d2 12", "</style><svg onload=alert(5)>", "&lt;b&gt;", "line", "<!-- ",
    "`${alert(6)}`", "javascript:alert(7)",
]  # fmt: skip


def hostile():
    """Names that would act if they were taken for markup or script, in every place where a name can stand."""
    data, bad = machine(16), HOSTILE[0] + HOSTILE[1]
    marks = [HOSTILE[0], HOSTILE[2], "</svg><script>alert(9)</script>", "4", "5" * 300]
    data["title"] = "</title><script>alert(8)</script>" + HOSTILE[4]
    data["fluid"]["name"] = HOSTILE[1]
    data["pumps"] = {bad: data["pumps"]["piston30"] | {"marks": dict(zip(marks, (0.2, 0.4, 0.6, 0.8, 1), strict=True))}}
    data["nozzles"] = {bad: data["nozzles"]["short"]}
    for point, name in zip(data["point"], HOSTILE, strict=True):
        point |= {"name": name, "pump": bad, "nozzle": bad}
        point["now"]["mark"] = marks[int(point["now"]["mark"]) - 1]
    return data


def clashing():
    """One point that wants so much that no rate serves it beside the others."""
    data = machine(8, air=AIR)
    data["point"][3]["dose"] = "140 mL/h"
    return data


MACHINES = {
    "eight": lambda: machine(8, air=AIR), "sixteen": lambda: machine(16), "hostile": hostile, "clashing": clashing,
    "two generators": lambda: machine(16, air=AIR, generator={
        "rate": {"min": "4/min", "max": "150/min", "step": "1/min"}, "count": 2, "now": "20/min"}),
    "infeasible": lambda: FILES[4], "nothing found": lambda: FILES[5], "short of air": lambda: FILES[3],
}  # fmt: skip


@cache
def result_of(name):
    """The answer to one of the machines, or to a problem file."""
    if name in MACHINES:
        return stackopt.solve(stackopt.Problem(**MACHINES[name]()))
    return stackopt.solve(stackopt.read(PROBLEMS / name))


@cache
def text_of(name):
    return page(result_of(name), TODAY)


class Elements(html.parser.HTMLParser):
    """What stands in a page, each element in its place; a tag that does not close, or closes another, is a fault."""

    def __init__(self, text):
        super().__init__()
        self.open, self.found, self.texts = [], [], []
        self.feed(text)
        self.close()
        assert not self.open, self.open

    def handle_starttag(self, tag, attrs):
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), (tag, names)
        self.found.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open and self.open[-1] == tag, (tag, self.open)
        self.open.pop()

    def handle_data(self, data):
        self.texts.append((tuple(self.open), data))


ALL = [*MACHINES, "today.toml", "vanishing.toml", "free-dial.toml", "short-air.toml", "from-spreadsheet.toml",
       "saw-blade.json", "per-part-and-drops.toml"]  # fmt: skip


@pytest.mark.parametrize("name", ALL)
def test_a_page_is_well_formed_and_asks_nothing_of_anyone(name):
    text = text_of(name)
    assert text.startswith("<!doctype html>\n<!-- a page of stackopt -->\n<html ")
    assert len(text.encode()) < 1e6
    found = Elements(text).found
    attributes = [(tag, key, value) for tag, attrs in found for key, value in attrs.items()]
    assert not [one for one in attributes if one[1] == "style" or one[1].startswith("on")]
    assert all(value.startswith("#") for _, key, value in attributes if key == "href")
    assert all(value.startswith("data:image/svg+xml;base64,") for _, key, value in attributes if key == "src")
    assert not {tag for tag, _ in found} & {"iframe", "object", "embed", "link", "form", "base"}
    ids = [value for _, key, value in attributes if key == "id"]
    assert len(ids) == len(set(ids))
    named = {value.removeprefix("#") for _, key, value in attributes if key in ("href", "aria-labelledby", "for")}
    assert named <= set(ids)


@pytest.mark.parametrize("name", ALL)
def test_headings_go_down_one_level_at_a_time_and_pictures_have_words(name):
    found = Elements(text_of(name)).found
    levels = [int(tag[1]) for tag, _ in found if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels)), levels
    assert all(attrs.get("alt") for tag, attrs in found if tag == "img")
    assert all(attrs.get("aria-label") for tag, attrs in found if tag == "svg")
    assert ("html", {"lang": "en"}) in found


@pytest.mark.parametrize("name", ["eight", "hostile", "clashing", "infeasible"])
def test_the_policy_names_the_style_and_script_that_stand_in_the_page(name):
    elements = Elements(text_of(name))
    policy = next(attrs["content"] for tag, attrs in elements.found if "http-equiv" in attrs)
    assert policy.startswith("default-src 'none'; ") and "unsafe" not in policy and "http" not in policy
    inner = {"style": [], "script": []}
    for tag in inner:
        inner[tag] = [text for where, text in elements.texts if where[-1:] == (tag,)]
    programs = [text for text in inner["script"] if not text.lstrip().startswith("{")]
    assert len(inner["style"]) == 1 and len(programs) == (0 if name == "infeasible" else 1)
    for text in inner["style"] + programs:
        assert base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() in policy


def test_the_same_file_and_date_give_the_same_page():
    for name in ("eight", "drill-head.toml"):
        again = stackopt.solve(result_of(name).problem)
        assert page(again, TODAY) == text_of(name)


# What a fitter reads


def words(text):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", text))


@pytest.mark.parametrize("name", ["eight", "sixteen", "two generators", "drill-head.toml"])
def test_the_sheet_tells_every_setting(name):
    result, text = result_of(name), text_of(name)
    sheet = text[text.index('<section id="sheet"'):text.index('<section id="pictures"')]
    rows = re.findall(r"<tr>\n?<th scope=\"row\">.*?</tr>", sheet, re.DOTALL)
    assert len(rows) == len(result.points)
    for row, point in zip(rows, result.points, strict=True):
        said = words(row)
        for figure in (point.name, point.pump, f"{point.dose_mL_per_h:.4g}", f"{point.required_mL_per_h:.4g}"):
            assert figure in said
        assert f'<span class="big"><bdi>{point.mark}</bdi></span>' in row
        assert f'<span class="big">{point.turns:g}</span>' in row
        assert f'aria-label="{point.turns:g} turns from closed"' in row and f'aria-label="mark {point.mark}, ' in row
    for generator in result.generators:
        assert f"<strong>{generator['rate_per_min']:g}</strong> strokes/min" in sheet
    for caution in result.cautions:
        assert caution in sheet


def test_changes_against_today_are_marked_in_words():
    text = text_of("today.toml")
    sheet = words(text[text.index('<section id="sheet"'):text.index('<section id="pictures"')])
    check = stackopt.check(stackopt.read(PROBLEMS / "today.toml"))
    for change in check.changes:
        before = change["from"] if isinstance(change["from"], str) else f"{change['from']:g}"
        assert f"was {before}" in sheet
    assert Counter(re.findall(r"was \d", sheet)).total() == len(check.changes)


def test_the_rate_is_checked_over_at_least_20_strokes_and_half_a_minute():
    for rate in (0.5, 4, 12, 39.9, 40, 41, 120, 150, 600):
        strokes, seconds = rate_check(rate)
        assert strokes >= 20 and strokes % 10 == 0
        assert seconds == pytest.approx(strokes * 60 / rate) and (seconds >= 30 or seconds == pytest.approx(30))


def test_the_sheet_tells_what_to_weigh():
    result, said = result_of("eight"), words(text_of("eight"))
    for check in result.weigh_plan.checks:
        assert f"{check.strokes} in {check.minutes:.3g} min" in said
        assert f"{check.expected_g:.3g} g ({check.least_g:.3g} to {check.most_g:.3g})" in said
    assert "[weighing] balance" not in said and "[weighing] balance" in words(text_of("drill-head.toml"))


def test_the_seconds_within_which_doses_stay_good():
    """By hand: at 10/min 18 mL/h of 18 and of 20, each within 10 %: 19.8/18 as fast at most, 18/18 at least."""
    text = words(page(stackopt.solve(stackopt.Problem(**FILES[0])), TODAY))
    assert "20 strokes take 120 s (every dose stays in tolerance from 109 to 120 s)" in text


def test_the_checksum_is_that_of_the_bytes(tmp_path):
    file = tmp_path / "m.json"
    file.write_bytes(json.dumps(FILES[0]).encode() + b"\r\n")
    known = hashlib.sha256(file.read_bytes()).hexdigest()
    text = page(stackopt.solve(stackopt.read(file)), TODAY)
    assert text.count(known) == 2 and f">{known[:16]}" in text and ">m.json<" in text
    assert str(tmp_path) not in text
    assert "not from a file" in text_of("eight")


def test_points_from_a_spreadsheet_have_a_checksum_of_their_own():
    text = text_of("from-spreadsheet.toml")
    assert hashlib.sha256((PROBLEMS / "spindles.csv").read_bytes()).hexdigest() in text and ">spindles.csv<" in text


@pytest.mark.parametrize("name", ["clashing", "short of air", "infeasible", "short-air.toml"])
def test_where_points_clash_the_page_begins_with_that(name):
    result, text = result_of(name), text_of(name)
    start = text.index("<h1")
    said = words(text[start:])
    assert text.index('id="conflict"') < start
    assert result.conflicts and all(clash["why"] in html.unescape(said) for clash in result.conflicts)
    assert all(advice.change in html.unescape(said) for advice in result.advice)
    assert text.index('id="rate-map"') > start
    assert ('id="sheet"' in text) == (result.status != "infeasible")
    if 'id="sheet"' in text:
        assert start < text.index('id="rate-map"') < text.index('id="sheet"') and "the best compromise" in said


def test_an_answer_without_settings_or_explanation_has_a_page_too():
    assert "nothing found yet" in text_of("nothing found") and 'id="sheet"' not in text_of("nothing found")
    assert "interrupted before the explanation" in page(result_of("clashing").unexplained(), TODAY)


def test_kept_settings_have_a_page_too():
    kept = stackopt.keep(stackopt.read(PROBLEMS / "today.toml"))
    assert f"<strong>{kept.rate:g}</strong>" in page(kept, TODAY)


def test_a_missing_library_is_named(monkeypatch):
    monkeypatch.setattr(pages, "find_spec", lambda name: None)
    with pytest.raises(StackoptError, match=r"needs jinja2 and matplotlib: .*'stackopt\[report\]'"):
        page(result_of("eight"), TODAY)


# In a browser


@pytest.fixture(scope="module")
def chromium():
    with browser.browser() as running:
        yield running


@contextmanager
def shown(running, text, folder, width=1280):
    """A page opened from disk; whatever it complains of or asks for is an error."""
    file = folder / "page.html"
    file.write_text(text, encoding="utf-8")
    context = running.new_context(viewport={"width": width, "height": 900}, offline=True)
    tab, heard = context.new_page(), []
    tab.on("console", lambda said: heard.append(said.text))
    tab.on("pageerror", lambda error: heard.append(str(error)))
    tab.on("dialog", lambda dialog: (heard.append(f"dialog: {dialog.message}"), dialog.dismiss()))
    tab.on("request", lambda asked: None if asked.url.startswith("data:") or asked.url == file.as_uri() else
           heard.append(asked.url))  # fmt: skip
    try:
        tab.goto(file.as_uri())
        yield tab
        assert not heard, heard
    finally:
        context.close()


def test_hostile_names_stay_data(chromium, tmp_path):
    """No dialog, request or complaint; each name stands in the sheet as it was written, overrides shown by code."""
    with shown(chromium, text_of("hostile"), tmp_path) as tab:
        names = tab.locator(".settings tbody th bdi").evaluate_all("all => all.map(one => one.textContent)")
        assert names == [told(name) for name in HOSTILE]
        assert tab.title() == re.sub(r" +", " ", told(hostile()["title"]) + ": settings")
        tab.locator("#tryout-rate").press("ArrowRight")
        for summary in tab.locator("summary").all():
            summary.click()
        for place in tab.locator("th, td, svg, img").all()[:60]:
            place.hover(force=True)
        assert tab.evaluate("document.images.length") == tab.locator("figure img").count()
        assert tab.evaluate("[...document.images].every(one => one.naturalWidth > 0)")
        assert tab.evaluate("document.scripts.length") == 2
    assert not set(re.findall(r"[\u202a-\u202e\u2066-\u2069]", text_of("hostile")))


@pytest.mark.parametrize("name", ALL)
def test_a_page_opens_without_a_complaint_and_fits_400_pixels(name, chromium, tmp_path):
    with shown(chromium, text_of(name), tmp_path, width=400) as tab:
        for summary in tab.locator("summary").all():
            summary.click()
        assert tab.evaluate("document.documentElement.scrollWidth") <= 400


SHEET = "document.querySelectorAll('main > section:not(#sheet)').forEach(one => one.remove())"


@pytest.mark.parametrize("size", ["A4", "Letter"])
@pytest.mark.parametrize("name", ["eight", "sixteen", "two generators", "clashing", "drill-head.toml"])
def test_the_sheet_prints_on_one_page(name, size, chromium, tmp_path):
    with shown(chromium, text_of(name), tmp_path) as tab:
        whole = tab.pdf(format=size)
        tab.emulate_media(media="print")
        for after in ("#sheet" if name == "clashing" else "#pictures", "#pictures"):
            assert tab.evaluate(f"getComputedStyle(document.querySelector('{after}')).breakBefore") == "page"
        tab.evaluate(SHEET)
        sheet = tab.pdf(format=size)
    assert pages_in(sheet) == 1 < pages_in(whole)


def pages_in(pdf):
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


CONTRAST = """() => {
  const rgb = (text) => (text.match(/[\\d.]+/g) || []).map(Number);
  const light = ([r, g, b]) => [r, g, b].map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, k) => sum + v * [0.2126, 0.7152, 0.0722][k], 0);
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const inside = walker.currentNode.parentElement;
    if (!walker.currentNode.textContent.trim() || ["SCRIPT", "STYLE", "NOSCRIPT"].includes(inside.tagName)) continue;
    let behind = inside;
    while (behind && (rgb(getComputedStyle(behind).backgroundColor)[3] ?? 1) === 0) behind = behind.parentElement;
    const [a, b] = [getComputedStyle(inside).color, behind ? getComputedStyle(behind).backgroundColor : "rgb(255,255,255)"]
      .map(rgb).map(light);
    found.push([(Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05), walker.currentNode.textContent.trim()]);
  }
  return found;
}"""  # noqa: E501


@pytest.mark.parametrize("name", ["sixteen", "clashing"])
def test_letters_stand_out_by_4_5_to_1(name, chromium, tmp_path):
    """The ratio of WCAG 2.2, success criterion 1.4.3, of every text in the page to what lies behind it."""
    with shown(chromium, text_of(name), tmp_path) as tab:
        found = tab.evaluate(CONTRAST)
    assert len(found) > 200 and min(found)[0] >= 4.5, min(found)


WHERE = """() => { const one = document.activeElement;
  const box = getComputedStyle(one);
  return [one.tagName.toLowerCase(), one.id || one.className || one.textContent.slice(0, 20),
          box.outlineStyle !== "none" && parseFloat(box.outlineWidth) >= 2]; }"""


@pytest.mark.parametrize("name", ["today.toml", "clashing"])
def test_the_keyboard_alone_reaches_everything(name, chromium, tmp_path):
    """Tab goes to each link, slider, select, button, summary and box that scrolls, visibly; keys work there."""
    with shown(chromium, text_of(name), tmp_path, width=400) as tab:
        count = tab.locator("a[href], input, select, button, summary, [tabindex='0']").locator("visible=true").count()
        reached = []
        for _ in range(count):
            tab.keyboard.press("Tab")
            reached.append(tab.evaluate(WHERE))
        assert reached[0][:2] == ["a", "skip"]
        assert all(seen for *_, seen in reached), reached
        kinds = Counter(tag for tag, *_ in reached)
        for tag, many in (("a", "a[href]"), ("input", "input"), ("select", "select"), ("button", "button"),
                          ("summary", "figure summary")):  # fmt: skip
            assert kinds[tag] >= tab.locator(many).count() > 0, tag
        tab.locator("figure summary").first.focus()
        tab.keyboard.press("Enter")
        assert tab.locator("figure details").first.get_attribute("open") is not None
        tab.locator("#tryout-rate").focus()
        before = tab.locator("#tryout-rate-shown").inner_text()
        tab.keyboard.press("ArrowRight")
        assert tab.locator("#tryout-rate-shown").inner_text() != before
        tab.locator("#tryout-back").focus()
        tab.keyboard.press("Enter")
        assert tab.locator("#tryout-rate-shown").inner_text() == before


@pytest.mark.parametrize("width", [1280, 400])
def test_every_row_to_try_stands_under_its_heads(chromium, tmp_path, width):
    """Rows out of tolerance and others have their cells in the same columns."""
    with shown(chromium, text_of("clashing"), tmp_path, width=width) as tab:
        lefts = tab.evaluate("""() => [...document.querySelectorAll("#tryout-table tr")].map(
            row => [...row.children].map(cell => Math.round(cell.getBoundingClientRect().left)))""")
        assert tab.locator("#tryout-table tr.out").count() > 0
        assert all(row == lefts[0] for row in lefts)


# The commands


@pytest.mark.parametrize("code", [0, 3, 4, 5])
def test_report_writes_a_page_and_ends_as_solve_does(code, run, tmp_path):
    file, out = put(tmp_path, FILES[code]), tmp_path / "page.html"
    done = run("report", file, "-o", str(out))
    assert done.code == code == run("solve", file).code
    assert done.out == "" and done.err.startswith(f"wrote {out}: ")
    assert Elements(out.read_text("utf-8")).found
    assert sorted(one.name for one in tmp_path.iterdir()) == ["m.json", "page.html"]


def test_report_to_standard_output(run, tmp_path):
    file, out = put(tmp_path, FILES[0]), tmp_path / "page.html"
    done = run("report", file, "-o", "-")
    run("report", file, "-o", str(out))
    assert done.code == 0 and done.out == out.read_text("utf-8") + "\n" * (not out.read_text("utf-8").endswith("\n"))
    assert done.err == ""


def test_a_report_replaces_a_page_and_nothing_else(run, tmp_path):
    file, out = put(tmp_path, FILES[0]), tmp_path / "page.html"
    before = Path(file).read_bytes()
    done = run("report", file, "-o", file)
    assert done.code == 2 and "nothing else is overwritten" in done.err and Path(file).read_bytes() == before
    other = tmp_path / "notes.html"
    other.write_text("<!doctype html>\n<p>mine</p>\n")
    assert run("report", file, "-o", str(other)).code == 2 and "mine" in other.read_text()
    for place in (tmp_path, tmp_path / "none" / "page.html", "/dev/null"):
        assert run("report", file, "-o", str(place)).code == 2
    run("report", put(tmp_path, FILES[4], "other.json"), "-o", str(out))
    first = out.read_text("utf-8")
    assert run("report", file, "-o", str(out)).code == 0 and out.read_text("utf-8") != first


def test_a_wrong_file_leaves_the_old_page(run, tmp_path):
    out = tmp_path / "page.html"
    run("report", put(tmp_path, FILES[0]), "-o", str(out))
    before = out.read_bytes()
    done = run("report", put(tmp_path, FILES[2], "wrong.json"), "-o", str(out))
    assert done.code == 2 and "capacity" in done.err and out.read_bytes() == before


def test_a_page_that_fails_on_the_way_leaves_nothing(run, tmp_path, monkeypatch):
    monkeypatch.setattr("os.replace", lambda *_: (_ for _ in ()).throw(OSError(28, "No space left on device")))
    done = run("report", put(tmp_path, FILES[0]), "-o", str(tmp_path / "page.html"))
    assert done.code == 2 and "No space left" in done.err
    assert [one.name for one in tmp_path.iterdir()] == ["m.json"]


def test_solve_writes_a_page_for_each_file(run, tmp_path):
    files = [put(tmp_path, FILES[code], f"m{code}.json") for code in (0, 2, 4)]
    folder = tmp_path / "new" / "pages"
    done = run("solve", "--json", *files, "--report", str(folder))
    assert done.code == 2 and len(done.out.splitlines()) == 3
    assert sorted(one.name for one in folder.iterdir()) == ["m0.html", "m4.html"]
    assert run("solve", files[0], "--report", str(folder)).code == 0


def test_two_files_of_one_name_are_refused_before_anything_is_done(run, tmp_path):
    (tmp_path / "a").mkdir()
    files = put(tmp_path, FILES[0]), put(tmp_path / "a", FILES[0])
    done = run("solve", *files, "--report", str(tmp_path / "pages"))
    assert done.code == 2 and "two files that would both write" in done.err and done.out == ""
    assert not (tmp_path / "pages").exists()
    assert run("solve", files[0], "--report", files[0]).code == 2


def test_a_report_of_standard_input(run, tmp_path):
    done = run("solve", "-", "--report", str(tmp_path), stdin=json.dumps(FILES[0]))
    assert done.code == 0 and "not from a file" in (tmp_path / "standard-input.html").read_text("utf-8")


def test_a_missing_library_is_told_before_solving(run, tmp_path, monkeypatch):
    monkeypatch.setattr(pages, "find_spec", lambda name: None if name == "matplotlib" else object())
    monkeypatch.setattr("stackopt.solve", lambda problem: pytest.fail("solved"), raising=False)
    done = run("report", put(tmp_path, FILES[0]), "-o", str(tmp_path / "page.html"))
    assert done.code == 1 and "a page needs matplotlib" in done.err and "'report'" in done.err
