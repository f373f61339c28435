"""A plugin to start from: one file for a workshop's plugins/, or a distribution of its own; each with its tests."""

from __future__ import annotations

import hashlib
import keyword
import re
from importlib.resources import files
from pathlib import Path

from catchpot import __version__
from catchpot.errors import CatchpotError
from catchpot.plugins import trust
from catchpot.plugins.sources import installed
from catchpot.whole import make_folder, write_whole

_NAME = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")


class ScaffoldError(CatchpotError):
    """A plugin that can't be begun, or is not there."""

    status = 2


def new_drop_in(home: Path, name: str) -> list[Path]:
    """Write plugins/NAME.py and plugins/tests/test_NAME.py into a workshop; what was written.

    The file is trusted as it was written; a change to it is asked about, as any other.
    """
    _check(name)
    if not home.is_dir():
        raise ScaffoldError(f"{home}: there is no such folder; `catchpot init` makes a workshop")
    plugin, test = home / "plugins" / f"{name}.py", home / "plugins" / "tests" / f"test_{name}.py"
    code = _filled("module.py.txt", name)
    of_test = _filled(
        "test_module.py.txt",
        name,
        IMPORTS="import runpy\nfrom pathlib import Path\n\n",
        PLUGIN=f'\nPLUGIN = Path(__file__).parents[1] / "{name}.py"\n_names = runpy.run_path(str(PLUGIN))\n'
        f'{_class(name)}, {_class(name)}Params = _names["{_class(name)}"], _names["{_class(name)}Params"]\n',
    )
    _write({plugin: code, test: of_test})
    problem = trust.keep(plugin.parent, {name: hashlib.sha256(code.encode()).hexdigest()}, True)
    if problem:
        raise ScaffoldError(problem)
    return [plugin, test]


def new_package(folder: Path, name: str) -> list[Path]:
    """Write a distribution catchpot-NAME into a folder of that name in `folder`; what was written."""
    _check(name)
    package, dist = f"catchpot_{name}", f"catchpot-{name.replace('_', '-')}"
    top = folder / dist
    if top.exists():
        raise ScaffoldError(f"{top}: this is there already and was left as it is")
    of_test = _filled(
        "test_module.py.txt",
        name,
        IMPORTS="",
        PLUGIN=f'from {package} import {_class(name)}, {_class(name)}Params\n\nPLUGIN = "{name}"\n',
    )
    source = top / "src" / package
    written = {
        top / "pyproject.toml": _filled("pyproject.toml.txt", name),
        top / "README.md": _filled("README.md.txt", name),
        top / "ci.sh": _filled("ci.sh.txt", name),
        source / "__init__.py": _filled("module.py.txt", name),
        source / "py.typed": "",
        top / "tests" / f"test_{name}.py": of_test,
    }
    _write(written)
    (top / "ci.sh").chmod(0o755)
    return list(written)


def _class(name: str) -> str:
    return "".join(word.capitalize() for word in name.split("_"))


def _check(name: str) -> None:
    if not _NAME.fullmatch(name) or keyword.iskeyword(name):
        raise ScaffoldError(
            f"{name!r} can't be a plugin's name: small letters, digits and single underscores, a letter first"
        )
    if any(s.name == name for s in installed()):
        raise ScaffoldError(f"a plugin called {name} is installed already; choose another name")


def _filled(template: str, name: str, **more: str) -> str:
    text = files("catchpot.plugins").joinpath("templates", template).read_text(encoding="utf-8")
    for key, value in (
        *more.items(),
        ("NAME", name),
        ("Name", _class(name)),
        ("PACKAGE", f"catchpot_{name}"),
        ("DIST", f"catchpot-{name.replace('_', '-')}"),
        ("VERSION", __version__),
    ):
        text = text.replace(f"@{key}@", value)
    return text


def _write(contents: dict[Path, str]) -> None:
    there = [path for path in contents if path.exists()]
    if there:
        raise ScaffoldError(f"{there[0]}: this is there already and was left as it is")
    for path, text in contents.items():
        make_folder(path.parent, through_links=False)
        write_whole(path, text)


__all__ = ["ScaffoldError", "new_drop_in", "new_package"]
