"""A real browser for the tests: started once, and pages that remember every complaint."""

import os
import shutil

import pytest
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page

from monitor.web.server import Server

CHROMIUM = os.environ.get("DRYSHIFT_CHROMIUM") or shutil.which("chromium")
PHONE = {"width": 390, "height": 844}
WALL = {"width": 1920, "height": 1080}
FLAGS = [
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
NO_WORKER = "Service Worker registration blocked by Playwright"  # as `opened` asks it to
WITH_CHROMIUM = pytest.mark.skipif(
    not CHROMIUM,
    reason="no Chromium here: install it, or name it in DRYSHIFT_CHROMIUM",
)


class Watched:
    """A page together with everything it complained about or asked of others."""

    def __init__(self, context: BrowserContext, home: str) -> None:
        self.page: Page = context.new_page()
        self.complaints: list[str] = []
        self.foreign: list[str] = []
        self.page.on("console", self._console)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda r: None if r.url.startswith(home) else self.foreign.append(r.url))

    def _console(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning") and message.text != NO_WORKER:
            self.complaints.append(message.text)


def opened(chromium: Browser, server: Server, path: str, size: dict[str, int], **more: object) -> Watched:
    more = {"service_workers": "block", **more}  # a test that wants the worker allows it
    context = chromium.new_context(viewport=size, has_touch=size is PHONE, **more)  # type: ignore[arg-type]
    watched = Watched(context, server.url)
    watched.page.goto(server.url + path)
    return watched
