"""A bare workshop, a place for drop-in plugins, a made-up installed package, a user's settings folder of its own."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from textwrap import dedent

import pytest

from catchpot.workshop import Workshop, open_workshop

Write = Callable[[str, str], Path]
Install = Callable[..., None]


@pytest.fixture(autouse=True)
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "config"
    monkeypatch.setenv("XDG_CONFIG_HOME", str(folder))
    return folder


@pytest.fixture
def home(tmp_path: Path) -> Path:
    folder = tmp_path / "shop"
    (folder / "plugins").mkdir(parents=True)
    (folder / "catchpot.toml").write_text('[workshop]\nname = "Shop"\n')
    (folder / "moulds.toml").write_text("[moulds.hatch]\n")
    return folder


@pytest.fixture
def reopen(home: Path) -> Callable[..., Workshop]:
    """Open the workshop, with other settings where given."""

    def opened(settings: str = "") -> Workshop:
        if settings:
            (home / "catchpot.toml").write_text(settings)
        return open_workshop(home)

    return opened


@pytest.fixture
def drop_in(home: Path) -> Write:
    """Write a file into the workshop's plugins/."""

    def write(name: str, code: str) -> Path:
        path = home / "plugins" / name
        path.write_text(dedent(code))
        return path

    return write


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Install:
    """Install a made-up package: modules by name, and entry points."""

    def make(package: str, entry_points: str, **modules: str) -> None:
        site = tmp_path / f"site-{package}"
        info = site / f"{package.replace('-', '_')}-1.0.dist-info"
        info.mkdir(parents=True)
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 1.0\n")
        (info / "entry_points.txt").write_text(f"[catchpot.plugins.v1]\n{dedent(entry_points)}")
        for name, code in modules.items():
            (site / f"{name}.py").write_text(dedent(code))
            monkeypatch.delitem(sys.modules, name, raising=False)
        monkeypatch.syspath_prepend(str(site))

    return make
