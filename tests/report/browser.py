"""Drives a headless Chromium over its debugging pipe with the standard library alone."""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
from pathlib import Path

OPTIONS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--remote-debugging-pipe",
)


def find_chromium() -> str | None:
    return next(
        (path for name in ("chromium", "chromium-browser", "google-chrome") if (path := shutil.which(name))),
        None,
    )


class Browser:
    """One page of one browser; every request and console message is kept."""

    def __init__(self, profile: Path) -> None:
        program = find_chromium()
        assert program is not None
        to_read, self.to_write = os.pipe()
        self.from_read, to_send = os.pipe()
        self.process = subprocess.Popen(
            [
                "/bin/bash",
                "-c",
                f'exec 3<&{to_read} 4>&{to_send}; exec "$0" "$@"',
                program,
                *OPTIONS,
                f"--user-data-dir={profile}",
                "about:blank",
            ],
            pass_fds=(to_read, to_send),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(to_send)
        self.buffer = b""
        self.number = 0
        self.session: str | None = None
        self.events: list[dict] = []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **params):
        self.number += 1
        message = {"id": self.number, "method": method, "params": params}
        if self.session:
            message["sessionId"] = self.session
        os.write(self.to_write, json.dumps(message).encode() + b"\0")
        while True:
            answer = self.receive()
            if answer.get("id") == self.number:
                assert "error" not in answer, answer
                return answer["result"]
            self.events.append(answer)

    def receive(self) -> dict:
        while b"\0" not in self.buffer:
            piece = os.read(self.from_read, 1 << 20)
            assert piece, "the browser went away"
            self.buffer += piece
        line, _, self.buffer = self.buffer.partition(b"\0")
        return json.loads(line)

    def wait_for(self, method: str) -> dict:
        while True:
            for event in self.events:
                if event.get("method") == method:
                    self.events.remove(event)
                    return event
            self.events.append(self.receive())

    def open(self, page: Path, width: int = 1200, height: int = 900) -> None:
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )
        self.events = [event for event in self.events if event.get("method") != "Page.loadEventFired"]
        self.call("Page.navigate", url=page.as_uri())
        self.wait_for("Page.loadEventFired")

    def run(self, script: str):
        answer = self.call("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def pdf(self, width_in: float, height_in: float) -> bytes:
        data = self.call(
            "Page.printToPDF",
            printBackground=True,
            preferCSSPageSize=False,
            paperWidth=width_in,
            paperHeight=height_in,
        )
        return base64.b64decode(data["data"])

    def requests(self) -> list[str]:
        return [
            event["params"]["request"]["url"]
            for event in self.events
            if event.get("method") == "Network.requestWillBeSent"
        ]

    def complaints(self) -> list[dict]:
        wanted = {"Runtime.exceptionThrown", "Runtime.consoleAPICalled", "Log.entryAdded"}
        return [event["params"] for event in self.events if event.get("method") in wanted]

    def close(self) -> None:
        os.close(self.to_write)
        self.process.kill()
        self.process.wait()
        os.close(self.from_read)
