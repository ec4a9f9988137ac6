"""Pages in one headless Chromium; the tests need nothing but the browser."""

import atexit
import fcntl
import json
import os
import shutil
import subprocess
import tempfile
import time
from functools import cache
from pathlib import Path

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
_FLAGS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--hide-scrollbars"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync", "--remote-debugging-pipe"),
)

# Words of the pictures that reach out of them, or lie on each other, by more than the height of an accent.
_WORDS_OUTSIDE = """[...document.querySelectorAll('svg.chart text')].filter(t => {
    const [a, b] = [t.getBoundingClientRect(), t.ownerSVGElement.getBoundingClientRect()];
    return a.left < b.left - 1 || a.right > b.right + 1 || a.top < b.top - 2 || a.bottom > b.bottom + 2;
}).map(t => t.textContent)"""
_WORDS_ON_WORDS = """[...document.querySelectorAll('svg.chart')].flatMap(chart => {
    const words = [...chart.querySelectorAll('.axes text')].map(t => [t.textContent, t.getBoundingClientRect()]);
    return words.flatMap(([one, a], i) => words.slice(0, i).filter(([, b]) =>
        Math.min(a.right, b.right) - Math.max(a.left, b.left) > 2 &&
        Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 5).map(([other]) => one + ' on ' + other));
})"""


class Browser:
    """One browser without a window, driven over its debugging pipe; it ends with the tests."""

    def __init__(self) -> None:
        to_read, self._write = os.pipe()
        self._read, to_write = os.pipe()

        def place_pipe() -> None:
            # The browser expects it at the descriptors 3 and 4.
            ends = [fcntl.fcntl(end, fcntl.F_DUPFD, 10) for end in (to_read, to_write)]
            for end, wanted in zip(ends, (3, 4), strict=True):
                os.dup2(end, wanted)

        profile = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        process = subprocess.Popen(
            [CHROMIUM, *_FLAGS, f"--user-data-dir={profile.name}", "about:blank"],
            preexec_fn=place_pipe,
            pass_fds=(3, 4),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(to_write)
        self._buffer, self._number, self.events = b"", 0, []
        # Last in, first out: the browser ends before its profile goes.
        atexit.register(profile.cleanup)
        atexit.register(process.wait, 30)
        atexit.register(self.call, "Browser.close")

    def call(self, method: str, session: str | None = None, **params: object) -> dict:
        """Return the answer to a command; what the browser reports meanwhile is collected."""
        self._number += 1
        message = {"id": self._number, "method": method, "params": params} | ({"sessionId": session} if session else {})
        os.write(self._write, json.dumps(message).encode() + b"\0")
        while True:
            while b"\0" not in self._buffer:
                part = os.read(self._read, 1 << 16)
                if not part:
                    raise OSError("the browser ended")
                self._buffer += part
            text, self._buffer = self._buffer.split(b"\0", 1)
            answer = json.loads(text)
            if answer.get("id") == self._number:
                assert "error" not in answer, answer
                return answer["result"]
            if "method" in answer:
                self.events.append(answer)


@cache
def browser() -> Browser:
    """Return the one browser of these tests, started when it is first asked for."""
    return Browser()


class Page:
    """One page of the browser, with a memory of its own."""

    def __init__(self, width: int, height: int, phone: bool = False) -> None:
        self._browser = browser()
        self._memory = self._browser.call("Target.createBrowserContext")["browserContextId"]
        target = self._browser.call("Target.createTarget", url="about:blank", browserContextId=self._memory)["targetId"]
        self._session = self._browser.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self._call(f"{domain}.enable")
        self._call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=phone)
        self._call("Emulation.setFocusEmulationEnabled", enabled=True)

    def __enter__(self) -> "Page":
        return self

    def __exit__(self, *_: object) -> None:
        self._browser.call("Target.disposeBrowserContext", browserContextId=self._memory)

    @property
    def events(self) -> list[dict]:
        """What the browser has reported of this page."""
        return [event for event in self._browser.events if event.get("sessionId") == self._session]

    def open(self, path: Path) -> None:
        """Open a file and wait until it stands."""
        self._call("Page.navigate", url=path.absolute().as_uri())
        while not any(event["method"] == "Page.loadEventFired" for event in self.events):
            self._browser.call("Browser.getVersion")
            time.sleep(0.05)

    def run(self, script: str) -> object:
        """Return the value of an expression in the page."""
        answer = self._call("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def press(self, key: str) -> None:
        """Press and release a key."""
        for kind in ("keyDown", "keyUp"):
            self._call("Input.dispatchKeyEvent", type=kind, key=key)

    def words_out_of_place(self) -> list[str]:
        """Return the words of pictures that are cut off or lie on others."""
        return [*self.run(_WORDS_OUTSIDE), *self.run(_WORDS_ON_WORDS)]

    def complaints(self) -> list[str]:
        """Return console messages, exceptions and log entries, and whatever was asked from elsewhere."""
        found = []
        for event in self.events:
            if event["method"] in ("Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded"):
                found.append(json.dumps(event["params"]))
            if event["method"] == "Network.requestWillBeSent":
                url = event["params"]["request"]["url"]
                if not url.startswith(("file:", "data:", "about:")):
                    found.append(url)
        return found

    def _call(self, method: str, **params: object) -> dict:
        return self._browser.call(method, self._session, **params)
