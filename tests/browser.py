"""A page in headless Chromium, driven over its debugging pipe; the tests need nothing but the browser."""

import fcntl
import json
import os
import shutil
import subprocess
import time
from pathlib import Path

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
_FLAGS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--hide-scrollbars"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync", "--remote-debugging-pipe"),
)


class Page:
    """One page; ``events`` collects what the browser reports meanwhile."""

    def __init__(self, profile: Path, width: int, height: int, phone: bool = False) -> None:
        to_read, self._write = os.pipe()
        self._read, to_write = os.pipe()

        def place_pipe() -> None:
            # The browser expects it at the descriptors 3 and 4.
            ends = [fcntl.fcntl(end, fcntl.F_DUPFD, 10) for end in (to_read, to_write)]
            for end, wanted in zip(ends, (3, 4), strict=True):
                os.dup2(end, wanted)

        self._process = subprocess.Popen(
            [CHROMIUM, *_FLAGS, f"--user-data-dir={profile}", "about:blank"],
            preexec_fn=place_pipe,
            pass_fds=(3, 4),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(to_write)
        self._buffer, self._number, self._session, self.events = b"", 0, None, []
        page = next(t for t in self._call("Target.getTargets")["targetInfos"] if t["type"] == "page")
        attached = self._call("Target.attachToTarget", targetId=page["targetId"], flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self._call(f"{domain}.enable")
        self._call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=phone)
        self._call("Emulation.setFocusEmulationEnabled", enabled=True)

    def __enter__(self) -> "Page":
        return self

    def __exit__(self, *_: object) -> None:
        self._call("Browser.close")
        self._process.wait(30)
        os.close(self._write)
        os.close(self._read)

    def open(self, path: Path) -> None:
        """Open a file and wait until it stands."""
        self._call("Page.navigate", url=path.absolute().as_uri())
        while not any(event["method"] == "Page.loadEventFired" for event in self.events):
            self._call("Browser.getVersion", session=False)
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

    def _call(self, method: str, session: bool = True, **params: object) -> dict:
        self._number += 1
        message = {"id": self._number, "method": method, "params": params}
        if session and self._session and not method.startswith(("Browser.", "Target.")):
            message["sessionId"] = self._session
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
