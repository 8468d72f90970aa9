"""Draws the picture of the page in the README: python .pictures/draw.py, with the extra `test` and a chromium."""

import sys
from datetime import date
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent / "tests"))

from browser import browser  # noqa: E402

import stackopt  # noqa: E402
from stackopt.report.page import page  # noqa: E402


def main():
    """Solve a problem file, and keep the top of its page as a picture."""
    result = stackopt.solve(stackopt.read(HERE.parent / "problems" / "drill-head.toml"))
    with browser() as running:
        sheet = running.new_page(viewport={"width": 960, "height": 1240}, device_scale_factor=1)
        sheet.set_content(page(result, date(2026, 1, 5)))
        sheet.screenshot(path=HERE / "page.png")


if __name__ == "__main__":
    main()
