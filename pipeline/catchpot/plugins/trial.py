"""`catchpot plugins test NAME`: the kit's checks over a plugin, and the tests that lie beside a drop-in file."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from catchpot.plugins.scaffold import ScaffoldError
from catchpot.plugins.sources import dropped_in, installed


@dataclass(frozen=True)
class Trial:
    """What came of it. complaints: sentences of the kit. tests: what came of the plugin's own tests, a sentence."""

    complaints: list[str]
    tests: str
    passed: bool

    def sentences(self) -> list[str]:
        """For the terminal."""
        kit = self.complaints or ["the checks of the kit: all passed"]
        return [*kit, *([self.tests] if self.tests else [])]


def try_plugin(home: Path, name: str) -> Trial:
    """Check a drop-in file of the workshop, or an installed plugin. Its code runs: asking for this is trusting it."""
    from catchpot.testing import check_plugin

    file = home.resolve() / "plugins" / f"{name}.py"
    if file.is_file():
        complaints = check_plugin(file)
        tests, well = _own_tests(file.parent / "tests" / f"test_{name}.py")
        return Trial(complaints, tests, well and not complaints)
    known = sorted({s.name for s in installed()} | {s.name for s in dropped_in(home / "plugins")})
    if name not in known:
        raise ScaffoldError(f"no plugin {name!r}, neither installed nor as {file}; there are {', '.join(known)}")
    complaints = check_plugin(name)
    return Trial(complaints, "", not complaints)


def _own_tests(path: Path) -> tuple[str, bool]:
    if not path.is_file():
        return f"no tests of its own at {path}", True
    if importlib.util.find_spec("pytest") is None:
        return f"{path}: not run, since pytest is not installed", True
    words = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--rootdir", str(path.parent), str(path)]
    done = subprocess.run(words, capture_output=True, text=True, cwd=path.parent)
    last = (done.stdout.strip().splitlines() or done.stderr.strip().splitlines() or ["no answer"])[-1]
    if done.returncode == 0:
        return f"{path}: {last}", True
    return f"{path}: failed\n{done.stdout}{done.stderr}".rstrip(), False


__all__ = ["Trial", "try_plugin"]
