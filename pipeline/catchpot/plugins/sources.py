"""Where plugins come from: entry points of installed packages, and `.py` files in a workshop's plugins/ folder."""

from __future__ import annotations

import hashlib
import importlib
import importlib.machinery
import importlib.util
import sys
import traceback
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from types import CodeType, ModuleType
from typing import NamedTuple

from catchpot.errors import PluginFault, error_words

GROUP = "catchpot.plugins.v1"


class Broken(NamedTuple):
    """A plugin, or a part of one, that is not used: its name, where it comes from, and what is wrong."""

    plugin: str
    origin: str
    error: str

    def __str__(self) -> str:
        return f"plugin {self.plugin} ({self.origin}): {self.error}"


@dataclass(frozen=True)
class Source:
    """A plugin found and not yet loaded. place: its entry point, the path of its file, or a module loaded already."""

    name: str
    origin: str
    place: EntryPoint | Path | ModuleType

    def digest(self) -> str | None:
        """SHA-256 of a drop-in file's bytes; None for other plugins, and for a file that can't be read."""
        if not isinstance(self.place, Path):
            return None
        try:
            return hashlib.sha256(self.place.read_bytes()).hexdigest()
        except OSError:
            return None

    @property
    def outside(self) -> bool:
        """Whether it is another's, found by entry point or as a file."""
        if isinstance(self.place, ModuleType):
            return False
        if isinstance(self.place, Path):
            return True
        return self.place.dist is None or self.place.dist.name != "catchpot"

    def load(self) -> ModuleType:
        """Import the plugin's module."""
        if isinstance(self.place, ModuleType):
            return self.place
        if isinstance(self.place, Path):
            return _load_file(self.place)
        module = self.place.load()
        if not isinstance(module, ModuleType):
            raise TypeError(f"entry point {self.place.value!r} names no module but a {type(module).__name__}")
        return module


def installed() -> Iterator[Source]:
    """Plugins of installed packages, by name."""
    found = sorted(entry_points(group=GROUP), key=lambda e: (e.name, e.dist.name if e.dist else "", e.value))
    for point in found:
        package = f"{point.dist.name} {point.dist.version}" if point.dist else "an unknown package"
        yield Source(point.name, f"{package}, entry point {point.name} = {point.value}", point)


def dropped_in(folder: Path) -> Iterator[Source]:
    """Plugins in a workshop's folder: its `.py` files in order of name, those with a leading underscore left out."""
    if not folder.is_dir():
        return
    for path in sorted(folder.glob("*.py")):
        if not path.name.startswith("_") and path.is_file():
            yield Source(path.stem, f"{folder.name}/{path.name}", path)


def said(error: BaseException, near: ModuleType | Path | None = None) -> str:
    """An error in one line, with the place in the plugin's own file where it was raised."""
    words = error_words(error)
    if isinstance(error, PluginFault | SyntaxError):
        return words
    file = str(near) if isinstance(near, Path) else getattr(near, "__file__", None)
    lines = [f.lineno for f in traceback.extract_tb(error.__traceback__) if file and f.filename == file]
    return f"{words} (line {lines[-1]})" if lines else words


def code_digest(*modules: ModuleType) -> str:
    """SHA-256 of the source of these modules: of a package all its files, of a single file that file."""
    sha = hashlib.sha256()
    for module in modules:
        for path, name in _files(module):
            content = path.read_bytes()
            sha.update(f"{name}\0{len(content)}\0".encode())
            sha.update(content)
    return sha.hexdigest()


def _files(module: ModuleType) -> list[tuple[Path, str]]:
    top = module
    name = module.__name__.partition(".")[0]
    # A plugin that is a module of a package is all of that package; our own core is told apart by module.
    if name != "catchpot" and name in sys.modules and getattr(sys.modules[name], "__file__", None):
        top = sys.modules[name]
    file = Path(top.__file__ or "")
    if file.name != "__init__.py":
        return [(file, file.name)]
    found = [p for p in file.parent.rglob("*") if p.is_file() and p.suffix != ".pyc"]
    return sorted((p, p.relative_to(file.parent).as_posix()) for p in found)


class _Uncached(importlib.machinery.SourceFileLoader):
    """Leaves no __pycache__ in a user's folder, and never runs an old one."""

    def get_code(self, fullname: str) -> CodeType | None:
        return self.source_to_code(self.get_data(self.path), self.path)


def _load_file(path: Path) -> ModuleType:
    """Import a file by its path, `sys.path` untouched; named after the whole path, so that workshops don't meet."""
    path = path.resolve()  # errors name it as its module does
    place = hashlib.sha256(str(path).encode()).hexdigest()[:12]
    name = f"catchpot_drop_in_{place}_{path.stem}"
    spec = importlib.util.spec_from_file_location(name, path, loader=_Uncached(name, str(path)))
    if spec is None or spec.loader is None:
        raise ImportError(f"{path} can't be imported")
    module = importlib.util.module_from_spec(spec)
    # Dataclasses look their module up by name while the class is made.
    sys.modules[name] = module
    try:
        spec.loader.exec_module(module)
    except BaseException:
        del sys.modules[name]
        raise
    return module
