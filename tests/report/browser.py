"""A real browser for the tests: Chromium without a screen, driven over its DevTools pipe."""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
BASH = shutil.which("bash")

_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
    "--remote-debugging-pipe",
)

CONTRAST = """
[...document.querySelectorAll('svg text')].map(t => {
  const [r, g, b, a] = getComputedStyle(t).fill.match(/[\\d.]+/g).map(Number);
  const part = c => (c /= 255) <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
  const light = 0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b);
  return [a === undefined ? 1.05 / (light + 0.05) : 0, t.textContent];
})
"""
"""Contrast of every text of the figures on white, by the formula of WCAG 2.2."""


WORDS = """
[...document.querySelectorAll('body *')]
  .filter(e => !e.closest('svg') && [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim()))
  .filter(e => e.getClientRects().length)
  .map(e => {
    const level = colour => {
      const [r, g, b] = colour.match(/[\\d.]+/g).map(Number);
      const part = c => (c /= 255) <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
      return 0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b) + 0.05;
    };
    const two = [level(getComputedStyle(e).color), level(getComputedStyle(document.body).backgroundColor)];
    return [Math.max(...two) / Math.min(...two), e.textContent.slice(0, 40)];
  })
"""
"""Contrast of every text outside the figures on the page's own ground, by the same formula."""


class Browser:
    """One browser with one page; a context manager. Of the network this machine alone is there,
    by the resolver rule above."""

    def __init__(self) -> None:
        self._profile = tempfile.mkdtemp(prefix="page-test-")
        to_browser, self._write = os.pipe()
        self._read, from_browser = os.pipe()
        command = [CHROMIUM, *_FLAGS, f"--user-data-dir={self._profile}", "about:blank"]
        # Chromium reads its orders from descriptor 3 and answers on 4; only a shell can put them there.
        shell = f'exec "$@" 3<&{to_browser} 4>&{from_browser}'
        self._process = subprocess.Popen(
            [BASH, "-c", shell, "bash", *command],
            pass_fds=(to_browser, from_browser),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_browser)
        os.close(from_browser)
        self._buffer = b""
        self._number = 0
        self.events: list[dict[str, Any]] = []
        target = self._send("Target.createTarget", {"url": "about:blank"})["targetId"]
        attached = self._send("Target.attachToTarget", {"targetId": target, "flatten": True})
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(10)
        os.close(self._write)
        os.close(self._read)
        shutil.rmtree(self._profile, ignore_errors=True)

    def call(self, method: str, parameters: dict[str, Any] | None = None) -> dict[str, Any]:
        """Send one order to the page and return the answer."""
        return self._send(method, parameters or {}, self._session)

    def open(self, page: Path, width: int, height: int = 900) -> None:
        """Open a file at a window width, and wait until it has loaded."""
        self.visit(page.resolve().as_uri(), width, height)

    def visit(self, address: str, width: int, height: int = 900) -> None:
        """Do the same for an address of this machine."""
        self.events.clear()
        self.resize(width, height)
        self.call("Page.navigate", {"url": address})
        limit = time.monotonic() + 30.0
        while not any(event["method"] == "Page.loadEventFired" for event in self.events):
            self._receive(limit)

    def resize(self, width: int, height: int = 900) -> None:
        """Give the window another width."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600},
        )

    def evaluate(self, expression: str) -> Any:
        """Return the value of a script expression (its promise, when it is one)."""
        answer = self.call(
            "Runtime.evaluate", {"expression": expression, "returnByValue": True, "awaitPromise": True}
        )
        if "exceptionDetails" in answer:
            raise AssertionError(answer["exceptionDetails"])
        return answer["result"].get("value")

    def prefer(self, scheme: str) -> None:
        """Let the page see a screen that asks for ``light`` or ``dark``."""
        wanted = [{"name": "prefers-color-scheme", "value": scheme}]
        self.call("Emulation.setEmulatedMedia", {"features": wanted})

    def screenshot(self, file: Path, full: bool = True) -> None:
        """Save the page as a picture."""
        wanted: dict[str, Any] = {"format": "png"}
        if full:
            size = self.call("Page.getLayoutMetrics")["cssContentSize"]
            clip = {"x": 0, "y": 0, "width": size["width"], "height": size["height"], "scale": 1}
            wanted |= {"captureBeyondViewport": True, "clip": clip}
        data = self.call("Page.captureScreenshot", wanted)["data"]
        file.write_bytes(base64.b64decode(data))

    def pdf(self) -> bytes:
        """Return the page printed on A4."""
        settings = {"preferCSSPageSize": True, "printBackground": False}
        return base64.b64decode(self.call("Page.printToPDF", settings)["data"])

    def messages(self) -> list[str]:
        """Return everything the page wrote to the console or log since it was opened."""
        found = []
        for event in self.events:
            if event["method"] in ("Runtime.consoleAPICalled", "Runtime.exceptionThrown"):
                found.append(json.dumps(event["params"])[:500])
            if event["method"] == "Log.entryAdded":
                found.append(event["params"]["entry"]["text"])
        return found

    def requests(self) -> list[str]:
        """Return the address of everything the page asked for."""
        return [
            event["params"]["request"]["url"]
            for event in self.events
            if event["method"] == "Network.requestWillBeSent"
        ]

    def _send(self, method: str, parameters: dict[str, Any], session: str | None = None) -> dict[str, Any]:
        self._number += 1
        order: dict[str, Any] = {"id": self._number, "method": method, "params": parameters}
        if session:
            order["sessionId"] = session
        os.write(self._write, json.dumps(order).encode() + b"\0")
        limit = time.monotonic() + 60.0
        while True:
            answer = self._receive(limit)
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise AssertionError(f"{method}: {answer['error']}")
                return answer["result"]

    def _receive(self, limit: float) -> dict[str, Any]:
        while b"\0" not in self._buffer:
            ready, _, _ = select.select([self._read], [], [], max(0.0, limit - time.monotonic()))
            if not ready:
                raise AssertionError("the browser did not answer in time")
            chunk = os.read(self._read, 1 << 16)
            if not chunk:
                raise AssertionError("the browser ended")
            self._buffer += chunk
        message, self._buffer = self._buffer.split(b"\0", 1)
        answer: dict[str, Any] = json.loads(message)
        if "method" in answer:
            self.events.append(answer)
        return answer
