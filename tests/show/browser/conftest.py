"""A real browser for the tests, spoken to over pipes in the Chrome DevTools Protocol; no driver needed."""

from __future__ import annotations

import contextlib
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

import pytest

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--mute-audio",
    "--remote-debugging-pipe",
]


class Page:
    """One page; collects console errors, script errors and requests as they come."""

    def __init__(self, browser: Browser, session: str) -> None:
        self._browser, self._session = browser, session
        self.errors: list[str] = []
        self.requests: list[str] = []
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.do(f"{domain}.enable")

    def do(self, method: str, **arguments):
        return self._browser.call(method, self._session, arguments)

    def size(self, width: int, height: int) -> None:
        self.do(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )

    def open(self, path: Path, fragment: str = "") -> float:
        """Open a file and give the seconds until it had loaded."""
        start = time.perf_counter()
        self.do("Page.navigate", url=path.as_uri() + fragment)
        self.wait("document.readyState === 'complete' && location.protocol === 'file:'")
        return time.perf_counter() - start

    def js(self, code: str):
        reply = self.do("Runtime.evaluate", expression=code, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in reply, reply
        return reply["result"].get("value")

    def wait(self, code: str, seconds: float = 20.0) -> None:
        end = time.monotonic() + seconds
        while not self.js(code):
            assert time.monotonic() < end, f"still false after {seconds} s: {code}"
            time.sleep(0.02)

    def click(self, x: float, y: float) -> None:
        for kind in ("mousePressed", "mouseReleased"):
            self.do("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def key(self, name: str, code: int) -> None:
        for kind in ("keyDown", "keyUp"):
            self.do("Input.dispatchKeyEvent", type=kind, key=name, code=name, windowsVirtualKeyCode=code)

    def note(self, event: dict) -> None:
        kind, about = event["method"], event.get("params", {})
        if kind == "Runtime.exceptionThrown":
            self.errors.append(json.dumps(about["exceptionDetails"])[:500])
        elif kind == "Log.entryAdded" and about["entry"]["level"] in ("error", "warning"):
            self.errors.append(f"{about['entry']['text']} {about['entry'].get('url', '')}")
        elif kind == "Runtime.consoleAPICalled" and about["type"] in ("error", "warning", "assert"):
            self.errors.append(json.dumps(about["args"])[:500])
        elif kind == "Network.requestWillBeSent":
            self.requests.append(about["request"]["url"])
        elif kind == "Page.javascriptDialogOpening":
            self.errors.append(f"a dialog opened: {about['message']}")


class Browser:
    """Headless Chromium on a pair of pipes."""

    def __init__(self, program: str) -> None:
        self._folder = tempfile.mkdtemp()
        to_read, self._write = os.pipe()
        self._read, to_write = os.pipe()

        def at_three_and_four() -> None:
            # Chromium expects exactly these two numbers; move through high ones so that neither is overwritten.
            low, high = os.dup2(to_read, 100), os.dup2(to_write, 101)
            os.dup2(low, 3)
            os.dup2(high, 4)

        self._process = subprocess.Popen(
            [program, *FLAGS, f"--user-data-dir={self._folder}"],
            preexec_fn=at_three_and_four,
            close_fds=False,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(to_write)
        self._rest, self._count = b"", 0
        self._pages: dict[str, Page] = {}

    def call(self, method: str, session: str | None, arguments: dict) -> dict:
        self._count += 1
        message = {"id": self._count, "method": method, "params": arguments}
        if session:
            message["sessionId"] = session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        while True:
            reply = self._next()
            if reply.get("id") == message["id"]:
                assert "error" not in reply, reply
                return reply["result"]

    def _next(self) -> dict:
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._read], [], [], 60)
            assert ready, "the browser has not answered for a minute"
            piece = os.read(self._read, 1 << 20)
            assert piece, "the browser has gone"
            self._rest += piece
        text, self._rest = self._rest.split(b"\0", 1)
        message = json.loads(text)
        if "method" in message and message.get("sessionId") in self._pages:
            self._pages[message["sessionId"]].note(message)
        return message

    @contextlib.contextmanager
    def page(self):
        target = self.call("Target.createTarget", None, {"url": "about:blank"})["targetId"]
        session = self.call("Target.attachToTarget", None, {"targetId": target, "flatten": True})["sessionId"]
        page = Page.__new__(Page)
        self._pages[session] = page
        page.__init__(self, session)
        page.size(1200, 900)
        try:
            yield page
        finally:
            self._pages.pop(session)
            self.call("Target.closeTarget", None, {"targetId": target})

    def close(self) -> None:
        with contextlib.suppress(Exception):
            self.call("Browser.close", None, {})
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(10)
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        os.close(self._read)
        os.close(self._write)
        shutil.rmtree(self._folder, ignore_errors=True)


@pytest.fixture(scope="session")
def browser():
    program = next(
        (
            found
            for name in ("chromium", "chromium-browser", "google-chrome")
            if (found := shutil.which(name))
        ),
        None,
    )
    if program is None:
        pytest.skip("no Chromium on this machine: install Debian's package chromium to run the browser tests")
    if os.name != "posix":
        pytest.skip("the browser is driven over POSIX pipes")
    running = Browser(program)
    yield running
    running.close()


@pytest.fixture
def page(browser):
    with browser.page() as opened:
        yield opened
