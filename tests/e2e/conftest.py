"""What the tests in a browser share: Chromium, which keeps what pages load, and patience on a busy machine."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import BrowserContext, Page, expect, sync_playwright

from tests.ports import free_port

ARGUMENTS = [
    "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip

expect.set_options(timeout=60_000)  # Plotly is large


@pytest.fixture(scope="module")
def port() -> int:
    """Where the pages of all tests of a file are served, one after the other: scripts are compiled for an address."""
    return free_port()


@pytest.fixture(scope="module")
def browsers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[bool, BrowserContext]]:
    """Chromium that holds pages to their own policy (False) and one that does not (True), each with a cache on disk."""
    with sync_playwright() as play:
        made = {
            bypass_csp: play.chromium.launch_persistent_context(
                tmp_path_factory.mktemp("chromium"), executable_path="/usr/bin/chromium", args=ARGUMENTS,
                viewport={"width": 1280, "height": 720}, reduced_motion="reduce", bypass_csp=bypass_csp,
            )
            for bypass_csp in (False, True)
        }  # fmt: skip
        for one in made.values():
            one.set_default_timeout(60_000)
        yield made
        for one in made.values():
            one.close()


@pytest.fixture
def page(browsers: dict[bool, BrowserContext], port: int) -> Iterator[Page]:
    """A page whose scripts the test may question, which the pages' own policy would not let it."""
    yield from opened(browsers[True], port)


@pytest.fixture
def strict(browsers: dict[bool, BrowserContext], port: int) -> Iterator[Page]:
    """A page as people have it."""
    yield from opened(browsers[False], port)


def opened(browser: BrowserContext, port: int) -> Iterator[Page]:
    """A new page that knows nothing of those before it but their scripts and styles."""
    one = browser.new_page()
    browser.clear_cookies()
    session = browser.new_cdp_session(one)
    kept = {"origin": f"http://127.0.0.1:{port}", "storageTypes": "cookies,local_storage,indexeddb"}
    session.send("Storage.clearDataForOrigin", kept)
    session.detach()
    yield one
    one.close()
