"""One loader for all plugins, ours and anyone's: entry points and drop-in files; a broken one is named, never fatal."""

from __future__ import annotations

import difflib
import importlib
import sys
import tomllib
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager, redirect_stdout
from copy import deepcopy
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

import pluggy

from catchpot import hookspecs
from catchpot.analysis import Analysis
from catchpot.plugins import first_load, sources, trust
from catchpot.plugins.registry import CORE, HOOKS, Plugin, Registry
from catchpot.plugins.shapes import analysis_faults, note_faults, reader_faults, section_faults
from catchpot.plugins.sources import Broken, Source

if TYPE_CHECKING:
    from cyclopts import App
    from pydantic import BaseModel

    from catchpot.workshop import Workshop
    from catchpot.workshop.settings import PluginSettings

# Every command loads every plugin, and people wait for it.
LOAD_LIMIT_S = 30.0

_KINDS = {
    "reader": ("register_readers", reader_faults),
    "analysis": ("register_analyses", analysis_faults),
    "section": ("register_sections", section_faults),
    "note": ("register_notes", note_faults),
}
"""What is registered by many, by what it is called in a complaint."""

__all__ = ["Broken", "Plugin", "Registry", "load", "register_commands"]


def load(
    workshop: Workshop,
    *,
    trust: bool = False,
    core: bool = True,
    also: Sequence[tuple[str, ModuleType]] = (),
    only: Collection[str] | None = None,
    may_ask: bool = True,
) -> Registry:
    """Load every plugin and let it register its readers, analyses and sections.

    trust: run the workshop's drop-in plugins and remember that they may; else the user is asked once, at a terminal.
    only: digests of the contents of drop-in files that may run; then nobody is asked and nothing is kept.
    may_ask: without it nobody is asked, and what is not trusted yet is left out in silence.
    core: with the core's own analyses (a test may leave them out). also: (name, module) of plugins beside the rest.
    """
    disabled = tuple(workshop.settings.plugins.disabled)
    manager, modules, broken, warnings, untrusted = _load_modules(
        workshop.plugins_dir, workshop.settings.plugins, trust, may_ask=may_ask and only is None, also=also, only=only
    )
    taken: dict[tuple[str, str], str] = {}
    loaded = [_core_plugin()] if core else []
    for p in loaded:
        taken |= {("analysis", a.name): p.name for a in p.analyses}
    for source, module in modules:
        found: dict[str, tuple[Any, ...]] = {}
        for kind, (hook, faults) in _KINDS.items():
            given = {"settings": deepcopy(workshop.settings.raw)} if kind == "analysis" else {}
            items, error = _call(manager, source, module, hook, given)
            good = []
            wrong = [error] if error else []
            for item in items:
                name, fault = _looked_at(item, faults, module)
                if not fault and (kind, name) in taken:
                    fault = f"plugin {taken[kind, name]} has registered the {kind} of that name"
                if fault:
                    wrong.append(f"{kind} {name} is left out: {fault}")
                else:
                    taken[kind, name] = source.name
                    good.append(item)
            broken += [Broken(source.name, source.origin, w) for w in wrong]
            found[kind] = tuple(good)
        own, error = _own_settings(manager, source, module)
        broken += [Broken(source.name, source.origin, error)] if error else []
        loaded.append(
            Plugin(
                source.name,
                source.origin,
                module,
                sources.code_digest(module),
                found["reader"],
                found["analysis"],
                found["section"],
                source.outside,
                source.digest() or "",
                own,
                found["note"],
            )
        )
    named = {s.name for s, _ in modules} | {b.plugin for b in broken} | set(untrusted)
    off = tuple(d for d in disabled if d not in named)
    return Registry(tuple(loaded), tuple(broken), (*map(str, broken), *warnings), off, tuple(untrusted), workshop)


def register_commands(app: App, home: Path) -> list[str]:
    """Let every plugin add its commands to the app; sentences about those that could not.

    No workshop is needed: where the folder has no readable settings, only the installed plugins are asked.
    """
    manager, modules, broken, warnings, _ = _load_modules(home / "plugins", _settings_of(home), False, may_ask=False)
    for source, module in modules:
        _, error = _call(manager, source, module, "register_commands", {"app": app})
        if error:
            broken.append(Broken(source.name, source.origin, error))
    return [*map(str, broken), *warnings]


def _looked_at(item: object, faults: Callable[[object], Sequence[str]], module: ModuleType) -> tuple[str, str]:
    """The name of what was registered, and what is wrong with it; even to look at it may fail."""
    try:
        return str(getattr(item, "name", type(item).__name__)), "; ".join(faults(item))
    except KeyboardInterrupt:
        raise
    except BaseException as error:
        return type(item).__name__, f"looking at it failed: {sources.said(error, module)}"


def _own_settings(
    manager: pluggy.PluginManager, source: Source, module: ModuleType
) -> tuple[type[BaseModel] | None, str]:
    if not hasattr(module, "register_settings"):
        return None, ""
    from pydantic import BaseModel

    given, error = _call(manager, source, module, "register_settings", {}, many=False)
    if error or not given:
        return None, error
    [model] = given
    if isinstance(model, type) and issubclass(model, BaseModel):
        return model, ""
    return None, f"register_settings gave a {type(model).__name__}, where a pydantic model is expected"


def _settings_of(home: Path) -> PluginSettings:
    """What a workshop's settings say of plugins, where its other files may be wrong."""
    from catchpot.workshop.settings import PluginSettings

    try:
        given = tomllib.loads((home / "catchpot.toml").read_text(encoding="utf-8-sig"))
        return PluginSettings.model_validate(given.get("plugins", {}))
    except (OSError, ValueError, AttributeError, RecursionError):
        return PluginSettings()  # what is wrong with the file is said by the command that opens the workshop


def _core_plugin() -> Plugin:
    module = importlib.import_module("catchpot.ingest.reduce")
    package = importlib.import_module("catchpot.ingest")
    analyses: tuple[Analysis, ...] = (module.LogAnalysis(),)
    return Plugin(CORE, "the core", package, sources.code_digest(package), (), analyses, ())


def _load_modules(
    folder: Path,
    settings: PluginSettings,
    trusted: bool,
    *,
    may_ask: bool,
    also: Sequence[tuple[str, ModuleType]] = (),
    only: Collection[str] | None = None,
) -> tuple[pluggy.PluginManager, list[tuple[Source, ModuleType]], list[Broken], list[str], list[str]]:
    disabled = settings.disabled
    found = [*sources.installed(), *(Source(name, f"module {m.__name__}", m) for name, m in also)]
    dropped = [s for s in sources.dropped_in(folder) if s.name not in disabled]
    may_run, warnings = _may_run(folder, dropped, trusted, may_ask=may_ask, only=only)
    untrusted = [s.name for s in dropped if s.name not in may_run]
    dropped = [s for s in dropped if s.name in may_run]
    tried = [s for s in [*found, *dropped] if only is None and s.outside and s.name not in disabled]
    broken = first_load.harms(tried, folder.parent, settings.memory_limit_mb, LOAD_LIMIT_S) if tried else []
    harmful = {(b.plugin, b.origin) for b in broken}
    manager = pluggy.PluginManager(hookspecs.PROJECT)
    manager.add_hookspecs(hookspecs)
    modules: list[tuple[Source, ModuleType]] = []
    first: dict[str, Source] = {}
    for source in [*found, *dropped]:
        if source.name in disabled or (source.name, source.origin) in harmful:
            continue
        if source.name in first:
            broken.append(Broken(source.name, source.origin, f"the name is taken by {first[source.name].origin}"))
            continue
        first[source.name] = source
        module, error = _import(manager, source)
        if module is None:
            broken.append(Broken(source.name, source.origin, error))
        else:
            modules.append((source, module))
    manager.check_pending()
    return manager, modules, broken, warnings, untrusted


def _may_run(
    folder: Path, dropped: Sequence[Source], trusted: bool, *, may_ask: bool, only: Collection[str] | None
) -> tuple[set[str], list[str]]:
    """Names of the drop-in plugins that may run, and sentences about those that may not.

    only: digests of the contents that may run, whatever was said before.
    """
    digests = {s.name: d for s in dropped if (d := s.digest()) is not None}
    if only is not None:
        return {name for name, digest in digests.items() if digest in only}, []
    if not digests:
        return set(), []
    said = trust.answers(folder, digests)
    told = []
    fresh = {name: digests[name] for name, answer in said.items() if answer is not True}
    if trusted:
        problem = trust.keep(folder, fresh, True) if fresh else None
        return set(digests), [problem] if problem else []
    unasked = {name: digests[name] for name, answer in said.items() if answer is None}
    if unasked and may_ask:
        answer = trust.ask(folder, sorted(unasked))
        if answer is not None:
            problem = trust.keep(folder, unasked, answer)
            told += [problem] if problem else []
            said |= dict.fromkeys(unasked, answer)
    out = sorted(name for name, answer in said.items() if not answer)
    # Said by the command that opens the workshop, not a second time by the command line's own look at it.
    if out and may_ask:
        words = "They are code in" if len(out) > 1 else "It is code in"
        told.append(
            f"plugins not run: {', '.join(out)}. {words} {folder}, new or changed since you trusted it; "
            "--trust-plugins runs what is there now."
        )
    return {name for name, answer in said.items() if answer}, told


def _import(manager: pluggy.PluginManager, source: Source) -> tuple[ModuleType | None, str]:
    """Load and register one plugin; the module, or None and what is wrong."""
    try:
        with _held(source):
            module = source.load()
    except KeyboardInterrupt:
        raise
    except BaseException as error:  # it may exit, or panic below Python
        place = source.place if isinstance(source.place, Path) else None
        return None, f"can't be loaded: {sources.said(error, place)}"
    try:
        manager.register(module, name=source.name)
        unknown = [h.name for h in manager.get_hookcallers(module) or () if not h.has_spec()]
    except (pluggy.PluginValidationError, ValueError) as error:
        if manager.has_plugin(source.name):
            manager.unregister(name=source.name)
        return None, f"can't be registered: {' '.join(str(error).split())}"
    if unknown:
        manager.unregister(name=source.name)
        near = difflib.get_close_matches(unknown[0], HOOKS, 1)
        return None, f"there is no hook {unknown[0]}" + (f" (did you mean {near[0]}?)" if near else "")
    return module, ""


def _call(
    manager: pluggy.PluginManager,
    source: Source,
    module: ModuleType,
    hook: str,
    given: Mapping[str, Any],
    *,
    many: bool = True,
) -> tuple[list[Any], str]:
    """What one plugin's hook returns, as a list, or what it raised; no plugin's failure touches another.

    many: the hook returns many at once.
    """
    others = [p for p in manager.get_plugins() if p is not module]
    try:
        with _held(source):
            returned = manager.subset_hook_caller(hook, others)(**given)
            return [item for items in returned for item in items or ()] if many else list(returned), ""
    except KeyboardInterrupt:
        raise
    except BaseException as error:
        return [], f"{hook} failed: {sources.said(error, module)}"


@contextmanager
def _held(source: Source) -> Iterator[None]:
    """Code of others gets some seconds to load and register, and what it prints is no answer of ours."""
    if not source.outside:
        yield
        return
    from catchpot.run.guard import limited

    with redirect_stdout(sys.stderr), limited(LOAD_LIMIT_S, "loading it took longer than {:g} s"):
        yield
