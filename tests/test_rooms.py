"""Who may import whom: the table in DEVELOPERS.md, held by reading the imports of every file."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
CORE = ROOT / "pipeline" / "catchpot"
PLUGINS = sorted(p for p in (ROOT / "plugins").iterdir() if (p / "__init__.py").is_file())

FORBIDDEN = {
    # room: prefixes of ours it must not import
    "physics": ("catchpot",),
    "stats": ("catchpot",),
    "units.py": ("catchpot",),
    "store": ("catchpot.plugins", "catchpot.run", "catchpot.report", "catchpot.testing", "catchpot.ingest"),
    "report": ("catchpot.run", "catchpot.testing"),
    "workshop": ("catchpot.store", "catchpot.run", "catchpot.report", "catchpot.plugins", "catchpot.testing"),
}
HEAVY = {"sklearn", "scipy", "statsmodels", "plotly", "ruptures", "duckdb", "polars", "pandas", "pyarrow"}


def files(room: Path) -> list[Path]:
    return [room] if room.is_file() else sorted(room.rglob("*.py"))


def imports(path: Path, *, top_only: bool = False) -> set[str]:
    """Modules a file imports; imports for type checkers only are left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found: set[str] = set()

    def walk(nodes: list[ast.stmt]) -> None:
        for node in nodes:
            if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
                walk(node.orelse)
                continue
            if isinstance(node, ast.Import):
                found.update(a.name for a in node.names)
            elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
                found.update([node.module, *(f"{node.module}.{a.name}" for a in node.names)])
            for field in ("body", "orelse", "finalbody"):
                inner = getattr(node, field, None)
                is_scope = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
                if isinstance(inner, list) and not (top_only and is_scope):
                    walk(inner)
            for handler in getattr(node, "handlers", []):
                walk(handler.body)

    walk(tree.body)
    return found


def offends(name: str, prefixes: tuple[str, ...]) -> bool:
    return any(name == p or name.startswith(p + ".") for p in prefixes)


@pytest.mark.parametrize("room", sorted(FORBIDDEN))
def test_a_room_imports_only_what_it_may(room: str) -> None:
    assert files(CORE / room), f"{room} is empty"
    own = f"catchpot.{room.removesuffix('.py')}"
    bad = {
        f"{path.relative_to(ROOT)}: {name}"
        for path in files(CORE / room)
        for name in imports(path)
        if offends(name, FORBIDDEN[room]) and not offends(name, (own,))
    }
    assert not bad


@pytest.mark.parametrize("plugin", PLUGINS, ids=lambda p: p.name)
def test_a_plugin_imports_neither_the_store_nor_another_plugin(plugin: Path) -> None:
    others = tuple(p.name for p in PLUGINS if p != plugin)
    # The reader describes files to the ingest room; analyses and sections have no business there.
    closed = ("catchpot.store", "catchpot.run", *others)
    bad = {f"{f.name}: {n}" for f in files(plugin) for n in imports(f) if offends(n, closed)}
    assert not bad


def test_the_core_imports_no_plugin_of_ours() -> None:
    bad = {
        f"{path.relative_to(ROOT)}: {name}"
        for path in files(CORE)
        if "testing" not in path.parts
        for name in imports(path)
        if name.split(".")[0].startswith("catchpot_")
    }
    assert not bad


def test_sql_stays_in_the_store() -> None:
    bad = {
        str(path.relative_to(ROOT))
        for root in (CORE, ROOT / "plugins")
        for path in files(root)
        if "store" not in path.parts and any(n.split(".")[0] == "duckdb" for n in imports(path))
    }
    assert not bad


def test_source_roots_are_no_packages() -> None:
    assert not (ROOT / "pipeline" / "__init__.py").exists()
    assert not (ROOT / "plugins" / "__init__.py").exists()
    for path in [p for d in ("pipeline", "plugins", "tests") for p in files(ROOT / d)]:
        names = {n.split(".")[0] for n in imports(path)}
        assert not names & {"pipeline", "plugins"}, path


@pytest.mark.parametrize("plugin", PLUGINS, ids=lambda p: p.name)
def test_a_plugin_imports_nothing_heavy_at_start_up(plugin: Path) -> None:
    names = {n.split(".")[0] for n in imports(plugin / "__init__.py", top_only=True)}
    assert not names & HEAVY
