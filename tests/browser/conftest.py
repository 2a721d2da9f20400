"""One server and one browser for all; skipped where they are missing, unless DOE_BROWSER=required says that they must be there."""

import os

import pytest

from .lab import Lab, OnScreen, chromium, missing


@pytest.fixture(scope="session", autouse=True)
def _able():
    lacking = missing()
    if lacking and os.environ.get("DOE_BROWSER") == "required":
        pytest.fail(f"browser tests are required here, but {lacking}")
    if lacking:
        pytest.skip(f"browser tests need a browser: {lacking}")


@pytest.fixture(scope="session")
def lab(_able, tmp_path_factory):
    server = Lab(tmp_path_factory.mktemp("lab"))
    try:
        server.wait()
        yield server
    finally:
        server.stop()


@pytest.fixture(scope="session")
def browser(_able):
    with chromium() as running:
        yield running


@pytest.fixture
def on_screen(lab, browser, tmp_path):
    """Open a notebook by name; a page of its own for each test."""
    contexts = []

    def opened(name: str, width: int = 1280, height: int = 900) -> OnScreen:
        context = browser.new_context(
            viewport={"width": width, "height": height}, locale="en-GB", accept_downloads=True
        )
        contexts.append(context)
        shown = OnScreen(context.new_page(), lab, name, tmp_path)
        shown.open()
        return shown

    yield opened
    for context in contexts:
        context.close()
