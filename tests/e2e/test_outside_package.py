"""An outsider's distribution beside our wheel, in a fresh virtual environment: nothing stored is lost at any step.

It takes minutes and needs a package index, so it runs where CATCHPOT_VENV=required says so, as CI does.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import pytest
from tests.conformance.guide import steps

ROOT = Path(__file__).parents[2]
pytestmark = [
    pytest.mark.venv,
    pytest.mark.skipif(
        os.environ.get("CATCHPOT_VENV") != "required", reason="builds environments; CATCHPOT_VENV=required runs it"
    ),
]

# Every stored table but the samples, as a digest of its rows.
DUMP = """
import hashlib, json, sys
from catchpot import open_session
with open_session(sys.argv[1]).store.reading() as r:
    names = [n for n in sorted(r.tables()) if n not in ("sample", "event", "part")]
    print(json.dumps({n: hashlib.sha256(r.table(n).write_json().encode()).hexdigest() for n in names
                      if r.table(n).height}))
"""


def done(*words: object, cwd: Path, status: int = 0, env: Mapping[str, str] | None = None) -> str:
    """What a command printed; its status must be as given."""
    kept = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "CATCHPOT_HOME")}
    ran = subprocess.run([str(w) for w in words], cwd=cwd, capture_output=True, text=True, env={**kept, **(env or {})})
    assert ran.returncode == status, f"{words}\n{ran.stdout[-4000:]}\n{ran.stderr[-4000:]}"
    return ran.stdout + ran.stderr


def test_an_outside_distribution_and_ours_come_and_go(tmp_path: Path) -> None:
    pins = {"PIP_CONSTRAINT": str(ROOT / ".ci" / "pins.txt"), "PIP_DISABLE_PIP_VERSION_CHECK": "1"}
    done(sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", tmp_path / "dist", ROOT, cwd=tmp_path)
    [wheel] = (tmp_path / "dist").glob("*.whl")
    done(sys.executable, "-m", "venv", tmp_path / "venv", cwd=tmp_path)
    at = tmp_path / "venv" / "bin"
    done(at / "pip", "install", "-q", wheel, "mypy", "pytest", cwd=tmp_path, env=pins)

    # From the scaffold, as the guide says.
    done(at / "catchpot", "plugins", "new", "pour_time", "--package", cwd=tmp_path)
    theirs = tmp_path / "catchpot-pour-time"
    done(at / "pip", "install", "-q", "--no-deps", theirs, cwd=tmp_path, env=pins)
    assert "Success" in done(at / "mypy", "--strict", cwd=theirs)
    assert "2 passed" in done(at / "pytest", "-q", cwd=theirs)
    for heading in ("Add a plugin, in eight steps", "Add a reader, in five steps", "The other doors"):
        (tmp_path / "of_the_guide.py").write_text(steps(heading).code, encoding="utf-8")
        assert "Success" in done(at / "mypy", "--strict", "of_the_guide.py", cwd=tmp_path)

    home = tmp_path / "shop"
    shutil.copytree(ROOT / "sample_runs", home, ignore=shutil.ignore_patterns("reports", "shots.duckdb*"))
    user = {"XDG_CONFIG_HOME": str(tmp_path / "config"), "XDG_CACHE_HOME": str(tmp_path / "cache")}

    def run() -> str:
        return done(at / "catchpot", "--home", home, "run", cwd=tmp_path, env=user)

    def stored() -> dict[str, str]:
        digests: dict[str, str] = json.loads(done(at / "python", "-c", DUMP, home, cwd=tmp_path, env=user))
        return digests

    assert "pour_time: " in run()
    first = stored()
    assert len(first) > 25 and "pour_time" in first and "seal_leak" in first
    page = (home / "reports" / "moulds" / "hatch-2.html").read_text(encoding="utf-8")
    assert "Time to inject" in page

    # One of ours is taken out: its module and its entry point.
    [site] = (tmp_path / "venv" / "lib").glob("python3*/site-packages")
    [points] = site.glob("catchpot-*.dist-info/entry_points.txt")
    before = points.read_text()
    points.write_text("".join(line for line in before.splitlines(True) if "catchpot_vacuum" not in line))
    (site / "catchpot_vacuum").rename(tmp_path / "away")
    assert "not in use now, results kept as they were and not recomputed: " in run()
    without = stored()
    of_vacuum = {"seal_leak", "seal_hold", "seal_split", "seal_life", "seal_history"} & set(first)
    assert len(of_vacuum) >= 4
    assert {n: without[n] for n in of_vacuum} == {n: first[n] for n in of_vacuum}
    assert set(without) == set(first)

    # It comes back, and so does everything as it was.
    (tmp_path / "away").rename(site / "catchpot_vacuum")
    points.write_text(before)
    run()
    assert stored() == first

    # Theirs goes and comes back.
    done(at / "pip", "uninstall", "-q", "-y", "catchpot-pour-time", cwd=tmp_path)
    assert "results kept as they were and not recomputed: pour_time" in run()
    assert stored() == first
    done(at / "pip", "install", "-q", "--no-deps", theirs, cwd=tmp_path, env=pins)
    assert "pour_time" in run().partition("inputs unchanged, nothing to compute: ")[2]
    assert stored() == first
