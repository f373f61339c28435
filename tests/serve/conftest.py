"""A small workshop that was run once, and servers over it in a process of their own."""

from __future__ import annotations

import http.client
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

SAMPLE = Path(__file__).resolve().parents[2] / "sample_runs"
MOULD, OTHERS = "hatch-2", ("seat-4", "door-1")
STARTS_S = 60.0


@dataclass(frozen=True)
class Answer:
    """What a server said."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def text(self) -> str:
        """The body as text."""
        return self.body.decode()


@dataclass(frozen=True)
class Server:
    """A server that runs."""

    home: Path
    port: int

    def ask(
        self, path: str, *, method: str = "GET", headers: Mapping[str, str] | None = None, body: bytes | None = None
    ) -> Answer:
        """One request, its path sent as it is."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            line.putrequest(method, path, skip_host="host" in (headers or {}))
            for name, value in (headers or {}).items():
                line.putheader(name, value)
            if body is not None:
                line.putheader("content-length", str(len(body)))
            line.endheaders(body)
            answer = line.getresponse()
            return Answer(answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read())
        finally:
            line.close()


@pytest.fixture(scope="session")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The committed made-up workshop with one mould's logs, run once; tests that write take a copy."""
    home = tmp_path_factory.mktemp("served") / "workshop"
    shutil.copytree(SAMPLE, home, ignore=shutil.ignore_patterns(*(f"{m}*" for m in OTHERS), "truth"))
    done = subprocess.run(
        [sys.executable, "-m", "catchpot.cli", "--home", str(home), "run"], capture_output=True, text=True, timeout=300
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return home


@pytest.fixture
def copy(workshop: Path, tmp_path: Path) -> Path:
    """A copy to write into."""
    return Path(shutil.copytree(workshop, tmp_path / "workshop"))


@pytest.fixture(scope="session")
def serving(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Server]]:
    """Starts `catchpot serve` over a workshop with further options; all are ended, and end well, at the end."""
    running: list[subprocess.Popen[str]] = []
    told = tmp_path_factory.mktemp("told")

    def start(home: Path, *options: str) -> Server:
        said = told / f"{len(running)}.txt"
        command = [sys.executable, "-u", "-m", "catchpot.cli", "--home", str(home), "serve", "--port", "0", *options]
        with said.open("w") as out:
            running.append(subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT, text=True))
        until = time.monotonic() + STARTS_S
        while not (first := said.read_text().partition("\n")[0]).startswith("serving "):
            assert time.monotonic() < until and running[-1].poll() is None, said.read_text()
            time.sleep(0.05)
        return Server(home, int(first.split("/ (")[0].rpartition(":")[2]))

    yield start
    for process in running:
        process.send_signal(signal.SIGTERM)
    ended = [process.wait(timeout=30) for process in running]
    assert set(ended) <= {0}, [said.read_text() for said in told.iterdir()]


@pytest.fixture(scope="session")
def server(workshop: Path, serving: Callable[..., Server]) -> Server:
    """A server that only shows."""
    return serving(workshop)
