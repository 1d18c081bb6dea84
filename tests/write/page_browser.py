"""Open a page in a real headless browser and talk to it through its debugging pipe."""

from __future__ import annotations

import base64
import json
import os
import select
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from tests.at_hand import BROWSER

PATIENCE = 60.0  # seconds
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--remote-debugging-pipe",
)


class Browser:
    """One tab of a headless browser; ``events`` holds what it reported."""

    def __init__(self, to_browser: int, from_browser: int) -> None:
        self._to, self._from = to_browser, os.fdopen(from_browser, "rb")
        self._number, self._rest, self._session = 0, b"", ""
        self.events: list[dict[str, Any]] = []
        target = self.send("Target.createTarget", url="about:blank")["targetId"]
        attached = self.send("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.send(f"{domain}.enable")

    def send(self, method: str, **params: Any) -> dict[str, Any]:
        """Send a command and return its result; keep the events that come before it."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._receive()
            if answer.get("id") == self._number:
                assert "error" not in answer, answer
                return dict(answer["result"])
            self.events.append(answer)

    def open(
        self, page: Path, width: int, height: int, view: str = "", *, scripts: bool = True
    ) -> None:
        """Show a page at a size in CSS pixels and wait until it has loaded and painted."""
        self.send("Emulation.setScriptExecutionDisabled", value=not scripts)
        self.send(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )
        self._go("about:blank")  # so that the same page with another view loads anew
        self._go(page.as_uri() + (f"#{view}" if view else ""))
        if scripts:
            self.run(
                "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
            )

    def _go(self, address: str) -> None:
        self.events.clear()
        self.send("Page.navigate", url=address)
        while not any(event.get("method") == "Page.loadEventFired" for event in self.events):
            self.events.append(self._receive())

    def run(self, script: str) -> Any:
        """Evaluate an expression in the page and return its value."""
        answer = self.send(
            "Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def click(self, x: float, y: float) -> None:
        """Press and release the left button."""
        for kind in ("mousePressed", "mouseReleased"):
            self.send("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def press(self, key: str, code: int = 0) -> None:
        """Press and release a key."""
        for kind in ("keyDown", "keyUp"):
            self.send("Input.dispatchKeyEvent", type=kind, key=key, windowsVirtualKeyCode=code)

    def picture(self, file: Path) -> None:
        """Save what the window shows as PNG."""
        data = self.send("Page.captureScreenshot", format="png")["data"]
        file.write_bytes(base64.b64decode(data))

    def paper(self) -> bytes:
        """Return the page printed to PDF."""
        printed = self.send("Page.printToPDF", preferCSSPageSize=True, printBackground=False)
        return base64.b64decode(printed["data"])

    @property
    def troubles(self) -> list[str]:
        """Return what went wrong in the page since it was opened."""
        return [
            json.dumps(event["params"])
            for event in self.events
            if event.get("method") in ("Runtime.exceptionThrown", "Log.entryAdded")
        ]

    @property
    def requests(self) -> list[str]:
        """Return the addresses that the page asked for since it was opened."""
        return [
            event["params"]["request"]["url"]
            for event in self.events
            if event.get("method") == "Network.requestWillBeSent"
        ]

    def _receive(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._from], [], [], PATIENCE)
            assert ready, "the browser does not answer"
            block = os.read(self._from.fileno(), 1 << 20)
            assert block, "the browser went away"
            self._rest += block
        message, _, self._rest = self._rest.partition(b"\0")
        return dict(json.loads(message))


@contextmanager
def browser() -> Iterator[Browser]:
    """Start a browser with a profile of its own and end it again."""
    assert BROWSER, "no browser"
    commands, answers = os.pipe(), os.pipe()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        # The browser expects the two ends of the pipe as files 3 and 4.
        shell = f'exec "$0" "$@" 3<&{commands[0]} 4>&{answers[1]}'
        process = subprocess.Popen(
            ["bash", "-c", shell, BROWSER, *FLAGS, f"--user-data-dir={profile}"],
            pass_fds=(commands[0], answers[1]),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(commands[0])
        os.close(answers[1])
        tab = Browser(commands[1], answers[0])
        try:
            yield tab
        finally:
            tab._session = ""
            with suppress(AssertionError, OSError):
                tab.send("Browser.close")
            os.close(commands[1])
            process.wait(timeout=20)
