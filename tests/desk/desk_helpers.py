"""A desk of its own for a test: the command in a process, and a browser at it."""

from __future__ import annotations

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from report.browser import Browser

from analyzer.desk.sheet_form import Field, fields, form_of, opened
from analyzer.sheets.car import CarSheet


class Running:
    """The command `analyzer desk`, started; a context manager that ends it."""

    def __init__(self, folder: Path, *options: str, browser: bool = False) -> None:
        unseen = () if browser else ("--no-browser",)
        self.process = subprocess.Popen(
            [sys.executable, "-m", "analyzer", "desk", str(folder), *unseen, *options],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        self.address = self.process.stdout.readline().strip().removeprefix("desk: ")

    def __enter__(self) -> Running:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        try:
            self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(20)
        for pipe in (self.process.stdout, self.process.stderr):
            assert pipe is not None
            pipe.close()


def ask(
    desk: Running,
    path: str,
    method: str = "GET",
    body: bytes | None = None,
    token: str | None = None,
    **heads: str,
) -> tuple[int, bytes, http.client.HTTPMessage]:
    """Send one request; `path` stands behind the token, `heads` replace the page's own."""
    parts = urlsplit(desk.address)
    own = {"Host": parts.netloc, "Origin": f"http://{parts.netloc}"}
    sent = {**own, **{name.replace("_", "-"): value for name, value in heads.items()}}
    if body is not None:
        sent.setdefault("Content-Length", str(len(body)))
    lines = [f"{method} {(parts.path if token is None else token) + path} HTTP/1.1"]
    lines += [f"{name}: {value}" for name, value in sent.items() if value]
    # All at once: a server that refuses the head and closes would else meet the body with a reset, and the
    # answer would be lost on the way.
    with socket.create_connection((parts.hostname, parts.port), timeout=30) as connection:
        connection.sendall("\r\n".join([*lines, "", ""]).encode("latin-1") + (body or b""))
        answer = http.client.HTTPResponse(connection, method=method)
        answer.begin()
        return answer.status, answer.read(), answer.headers


def until(
    browser: Browser,
    expression: str,
    seconds: float = 60.0,
    look: Callable[[Browser, str], Any] = Browser.evaluate,
) -> Any:
    """Wait until a script expression of the page, or of what else `look` looks at, is true; return it."""
    limit, last = time.monotonic() + seconds, None
    while time.monotonic() < limit:
        try:
            last = look(browser, expression)
        except AssertionError as error:  # a page that is just being replaced
            last = error
        else:
            if last:
                return last
        time.sleep(0.1)
    raise AssertionError(f"{expression}: {last}")


def choose_files(browser: Browser, selector: str, files: list[Path]) -> None:
    """Give files to an input of the page, as a person does in the dialog of the browser."""
    root = browser.call("DOM.getDocument")["root"]["nodeId"]
    node = browser.call("DOM.querySelector", {"nodeId": root, "selector": selector})["nodeId"]
    browser.call("DOM.setFileInputFiles", {"nodeId": node, "files": [str(file) for file in files]})


def framed(browser: Browser, expression: str) -> Any:
    """Return the value of a script expression in the frame of the page."""
    children = browser.call("Page.getFrameTree")["frameTree"].get("childFrames", [])
    if children:
        frame = {"frameId": children[0]["frame"]["id"]}
        context = browser.call("Page.createIsolatedWorld", frame)["executionContextId"]
        wanted = {"expression": expression, "contextId": context, "returnByValue": True}
        return browser.call("Runtime.evaluate", wanted)["result"].get("value")
    # What a sandbox keeps apart has a process of its own.
    targets = browser._send("Target.getTargets", {})["targetInfos"]
    target = next(item["targetId"] for item in targets if item["type"] == "iframe")
    session = browser._send("Target.attachToTarget", {"targetId": target, "flatten": True})["sessionId"]
    wanted = {"expression": expression, "returnByValue": True}
    return browser._send("Runtime.evaluate", wanted, session)["result"].get("value")


TYPE = """
((key, value, error) => {
  const field = [...document.querySelectorAll('.field')].find(f => f.dataset.key === key);
  if (!field) return 'no field ' + key;
  for (let up = field; up; up = up.parentElement) if (up.tagName === 'DETAILS') up.open = true;
  const controls = field.querySelectorAll('.typed > input, .typed > select');
  if (controls[0].value !== value) {
    controls[0].value = value;
    controls[0].dispatchEvent(new Event('input', {bubbles: true}));
  }
  if (controls[1] && controls[1].value !== error) {
    controls[1].value = error;
    controls[1].dispatchEvent(new Event('input', {bubbles: true}));
  }
  return '';
})
"""


def type_in(browser: Browser, key: str, value: str, error: str = "") -> None:
    """Put a value into a field of the form, its key as messages write it."""
    said = browser.evaluate(f"{TYPE}({json.dumps(key)}, {json.dumps(value)}, {json.dumps(error)})")
    assert said == "", said


def filled_in(sheet: Path) -> list[Field]:
    """Return every line of a car sheet that has a value and can be typed."""
    form = form_of(CarSheet, opened(sheet.read_bytes()))
    return [part for part in fields(form) if part.value]


def press(browser: Browser, selector: str) -> None:
    """Press a button."""
    browser.evaluate(f"document.querySelector({json.dumps(selector)}).click()")


def saved(browser: Browser) -> None:
    """Press save and wait until the page says so."""
    press(browser, "form button[type=submit]")
    until(browser, "document.querySelector('.state')?.textContent === 'Saved'")
    # The page has been loaded anew: its end is waited for, or it would be taken for that of the next page.
    until(browser, "document.readyState === 'complete'")
    time.sleep(0.2)


def keep(browser: Browser, name: str) -> None:
    """Save pictures at desk and phone width where ANALYZER_SHOTS names a folder."""
    folder = os.environ.get("ANALYZER_SHOTS")
    if not folder:
        return
    for width in (1280, 390):
        browser.resize(width)
        time.sleep(0.3)
        browser.screenshot(Path(folder) / f"{name}-{width}.png")
    browser.resize(1280)
