"""Take sets, a browser, and the pages' applications without a socket."""

from __future__ import annotations

import asyncio
import csv
import json
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

BENCH = """[motor]
steps_per_turn = 200
[drive]
gear_ratio = "50:17"
filament_per_turn_mm = 22.5
"""
COLUMNS = ["file", "speed_mm_s", "current_a", "start_s", "end_s", "label", "first_skip_s", "note"]


def write_takes(folder: Path, *, takes: int = 4, columns: list[str] = COLUMNS) -> Path:
    """A set of short made takes: the odd ones click; returns the list."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "bench.toml").write_text(BENCH)
    rate = 16000
    time = np.arange(int(3.0 * rate)) / rate
    with (folder / "takes.csv").open("w", newline="") as out:
        table = csv.DictWriter(out, columns, extrasaction="ignore", lineterminator="\n")
        table.writeheader()
        for k in range(takes):
            rng = np.random.default_rng(k)
            moving = (time > 0.6) & (time < 2.4)
            sound = 0.002 * rng.standard_normal(time.size)
            sound += 0.05 * np.sin(2 * np.pi * 209.0 * time) * moving
            for click in (1.2, 1.5, 1.8, 2.1) if k % 2 else ():
                age = time - click
                decay = np.exp(-np.maximum(age, 0) / 0.004) * (age > 0)
                sound += 0.5 * decay * rng.standard_normal(time.size)
            soundfile.write(folder / f"take-{k}.wav", sound.astype(np.float32), rate)
            table.writerow(
                {"file": f"take-{k}.wav", "speed_mm_s": "8.0", "current_a": "0.5",
                 "start_s": "0.6", "end_s": "2.4", "note": f"made {k}"}
            )  # fmt: skip
    return folder / "takes.csv"


@pytest.fixture
def take_list(tmp_path: Path) -> Path:
    return write_takes(tmp_path / "set")


@dataclass(slots=True)
class Answer:
    """An answer of the application."""

    status: int = 0
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""

    def json(self) -> Any:
        return json.loads(self.body)


class Visitor:
    """Sends requests straight into an application, without a socket."""

    def __init__(self, app: Any, *, token: str, port: int) -> None:
        self.app = app
        self.base = f"/{token}/"
        self.host = f"127.0.0.1:{port}"

    def __call__(
        self,
        path: str,
        *,
        body: Any = None,
        raw: bytes | None = None,
        headers: dict[str, str] | None = None,
        absolute: bool = False,
        stop: Callable[[bytes], bool] | None = None,
    ) -> Answer:
        """GET, or POST where there is a body; ``stop`` hangs up once it says so of the body."""
        content = raw if raw is not None else b"" if body is None else json.dumps(body).encode()
        sent = {"host": self.host, "content-type": "application/json"} | (headers or {})
        place, _, query = (path if absolute else self.base + path).partition("?")
        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1",
            "method": "GET" if body is None and raw is None else "POST", "scheme": "http",
            "path": place, "raw_path": place.encode(), "root_path": "",
            "query_string": query.encode(), "client": ("127.0.0.1", 1), "server": None,
            "headers": [(k.encode(), v.encode()) for k, v in sent.items()],
        }  # fmt: skip
        answer = Answer()

        async def talk() -> None:
            gone = asyncio.Event()
            asked = False

            async def receive() -> dict[str, Any]:
                nonlocal asked
                if not asked:
                    asked = True
                    return {"type": "http.request", "body": content, "more_body": False}
                await gone.wait()
                return {"type": "http.disconnect"}

            async def send(message: dict[str, Any]) -> None:
                if message["type"] == "http.response.start":
                    answer.status = message["status"]
                    answer.headers = {k.decode(): v.decode() for k, v in message["headers"]}
                else:
                    answer.body += message.get("body", b"")
                    if stop is not None and stop(answer.body):
                        gone.set()

            await self.app(scope, receive, send)

        # In a thread of its own: a browser in the same session holds this thread's event loop.
        with ThreadPoolExecutor(1) as pool:
            pool.submit(lambda: asyncio.run(talk())).result()
        return answer


@pytest.fixture
def visit() -> Callable[..., Visitor]:
    """Makes a visitor for an application."""
    return lambda app, *, token, port: Visitor(app, token=token, port=port)


@dataclass(slots=True)
class Served:
    """A `stallcurve` page that a browser can open."""

    address: str
    stop: Callable[[], tuple[int, str]]


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Callable[..., Served]]:
    """Starts a page command in its own process; all are ended after the test."""
    import re
    import signal
    import subprocess
    import sys

    started: list[subprocess.Popen[str]] = []

    def start(*arguments: str) -> Served:
        code = f"from rig.cli import main; main({list(arguments)!r})"
        process = subprocess.Popen(
            [sys.executable, "-c", code],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        started.append(process)
        assert process.stdout is not None
        line = process.stdout.readline()
        found = re.search(r"http://\S+", line)
        assert found, line + (process.stderr.read() if process.stderr else "")

        def stop() -> tuple[int, str]:
            process.send_signal(signal.SIGINT)
            _, said = process.communicate(timeout=20)
            return process.returncode, said

        return Served(found[0], stop)

    yield start
    for process in started:
        if process.poll() is None:
            process.kill()
        process.communicate()


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """The system's Chromium, driven headless; requests to other addresses are an error."""
    import os
    import shutil

    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        if os.environ.get("CI"):
            pytest.fail("needs chromium (tests/run.sh installs it)")
        pytest.skip("needs chromium (tests/run.sh installs it)")
    from playwright.sync_api import sync_playwright

    arguments = [
        "--no-sandbox", "--headless", "--disable-gpu", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
    ]  # fmt: skip
    with sync_playwright() as tool:
        running = tool.chromium.launch(executable_path=chromium, args=arguments)
        yield running
        running.close()
