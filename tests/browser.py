"""A headless browser for tests: Debian's own, driven by Playwright; tests that need it are skipped where it lacks."""

import shutil
from contextlib import contextmanager

import pytest

NAMES = ("chromium", "chromium-browser")


def binary():
    """The path of the browser; skips the test where there is none."""
    found = next(filter(None, map(shutil.which, NAMES)), None)
    if found is None:
        pytest.skip(f"no browser is installed (looked for {', '.join(NAMES)})")
    return found


@contextmanager
def browser():
    """A running browser."""
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    path = binary()
    with api.sync_playwright() as driver:
        running = driver.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        try:
            yield running
        finally:
            running.close()


@contextmanager
def opened(running, html, width=1280, height=900):
    """A page with this content, without network; what it complains of is an error of the test."""
    context = running.new_context(viewport={"width": width, "height": height}, offline=True)
    page, complaints = context.new_page(), []
    page.on("console", lambda told: complaints.append(told.text) if told.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("dialog", lambda dialog: (complaints.append(f"dialog: {dialog.message}"), dialog.dismiss()))
    try:
        page.set_content(html)
        assert not complaints, complaints
        yield page
        assert not complaints, complaints
    finally:
        context.close()
