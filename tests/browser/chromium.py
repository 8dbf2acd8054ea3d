"""A headless Chromium driven over the DevTools protocol: open a page, look at it, print it, list its requests."""

from __future__ import annotations

import base64
import contextlib
import json
import shutil
import subprocess
import tempfile
import time
import urllib.request
from pathlib import Path
from types import TracebackType
from typing import Any

import websocket

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--remote-debugging-port=0", "--remote-allow-origins=*",
    "--hide-scrollbars", "--disable-dev-shm-usage", "--no-default-browser-check",
)  # fmt: skip
NAMES = ("chromium", "chromium-browser")


def executable() -> str | None:
    """The browser on this machine, if there is one."""
    return next((path for name in NAMES if (path := shutil.which(name))), None)


class Chromium:
    """One browser with one page; use it as a context manager."""

    def __init__(self) -> None:
        path = executable()
        assert path is not None, "no chromium on this machine"
        self._profile = tempfile.mkdtemp(prefix="pqcheck-browser-")
        self._process = subprocess.Popen(
            [path, *FLAGS, f"--user-data-dir={self._profile}", "about:blank"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self._next = 0
        self.requests: list[str] = []
        self.problems: list[str] = []
        self._socket = websocket.create_connection(self._address(), timeout=120, max_size=None)
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def _address(self) -> str:
        port_file = Path(self._profile) / "DevToolsActivePort"
        for _ in range(600):
            if port_file.exists() and len(port_file.read_text().splitlines()) >= 2:
                break
            assert self._process.poll() is None, "chromium did not start"
            time.sleep(0.05)
        port = port_file.read_text().splitlines()[0]
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/json/list", timeout=30) as answer:
            pages = json.load(answer)
        return str(next(one["webSocketDebuggerUrl"] for one in pages if one["type"] == "page"))

    def __enter__(self) -> Chromium:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        with contextlib.suppress(Exception):
            self._socket.close()
        self._process.terminate()
        try:
            self._process.wait(20)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(20)
        shutil.rmtree(self._profile, ignore_errors=True)

    def call(self, method: str, **parameters: Any) -> Any:
        """One command; its result. Events that arrive meanwhile are noted."""
        self._next += 1
        self._socket.send(json.dumps({"id": self._next, "method": method, "params": parameters}))
        while True:
            message = json.loads(self._socket.recv())
            if message.get("id") == self._next:
                assert "error" not in message, (method, message["error"])
                return message["result"]
            self._note(message)

    def _note(self, message: dict[str, Any]) -> str:
        name = str(message.get("method", ""))
        if name == "Network.requestWillBeSent":
            self.requests.append(message["params"]["request"]["url"])
        elif name == "Runtime.exceptionThrown":
            self.problems.append(str(message["params"]["exceptionDetails"].get("text")))
        elif name == "Log.entryAdded" and message["params"]["entry"]["level"] == "error":
            self.problems.append(message["params"]["entry"]["text"])
        return name

    def open(
        self, path: Path, *, width: int = 1280, height: int = 900, dark: bool = False, scripts: bool = True
    ) -> None:
        """Load a local page at a width; `requests` and `problems` start anew."""
        self.requests, self.problems = [], []
        mobile = width < 600
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=mobile)
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", media="", features=[scheme])
        self.call("Emulation.setScriptExecutionDisabled", value=not scripts)
        self.call("Page.navigate", url=path.resolve().as_uri())
        while self._note(json.loads(self._socket.recv())) != "Page.loadEventFired":
            pass

    def evaluate(self, expression: str) -> Any:
        """The value of an expression in the page; promises are awaited."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def picture(self, path: Path, *, whole: bool = False, top: int = 0, height: int | None = None) -> None:
        """A PNG of what is seen, of the whole page, or of a slice of it."""
        options: dict[str, Any] = {"format": "png", "captureBeyondViewport": whole or height is not None}
        if height is not None:
            width = self.evaluate("innerWidth")
            options["clip"] = {"x": 0, "y": top, "width": width, "height": height, "scale": 1}
        path.write_bytes(base64.b64decode(self.call("Page.captureScreenshot", **options)["data"]))

    def pdf(self, path: Path, *, width: float, height: float) -> None:
        """Print to a PDF of a paper size in inches, the page's own margins respected."""
        printed = self.call(
            "Page.printToPDF", paperWidth=width, paperHeight=height, printBackground=True, preferCSSPageSize=False,
            displayHeaderFooter=False,
        )  # fmt: skip
        path.write_bytes(base64.b64decode(printed["data"]))
