"""What the plugins registered, what is wrong with them, and whose code an analysis is."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from types import ModuleType
from typing import TYPE_CHECKING, Any

from catchpot import hookspecs
from catchpot.analysis import Analysis
from catchpot.core_tables import CORE_TABLES
from catchpot.plugins.sources import Broken, Source
from catchpot.tables import Table

if TYPE_CHECKING:
    from pydantic import BaseModel

    from catchpot.ingest.reader import Reader
    from catchpot.note_forms import NoteForm
    from catchpot.report.section import Section
    from catchpot.run.apart import Form
    from catchpot.run.guard import Worker
    from catchpot.workshop import Problem, Workshop

CORE = "catchpot"
HOOKS = sorted(n for n in vars(hookspecs) if n.startswith("register_") or n == "run_finished")


@dataclass(frozen=True)
class Plugin:
    """A loaded plugin and what it registered.

    settings: the model of its own settings. digest: SHA-256 of its code as it was loaded. outside: it is not ours, and
    can be loaded a second time by name, so that it works in a process of its own. file_digest: of a drop-in file, what
    trust goes by.
    """

    name: str
    origin: str
    module: ModuleType
    digest: str
    readers: tuple[Reader, ...] = ()
    analyses: tuple[Analysis, ...] = ()
    sections: tuple[Section, ...] = ()
    outside: bool = False
    file_digest: str = ""
    settings: type[BaseModel] | None = None
    notes: tuple[NoteForm, ...] = ()

    @property
    def hooks(self) -> list[str]:
        """Names of the hooks it has."""
        return [n for n in HOOKS if callable(vars(self.module).get(n))]

    @property
    def needs(self) -> list[str]:
        """Tables its analyses and sections read."""
        asked = {t for a in self.analyses for t in (*a.needs, *a.optional)}
        return sorted(asked | {t for s in self.sections for t in s.needs})


@dataclass(frozen=True)
class Registry:
    """All loaded plugins, the core's own analyses among them under the name of the core.

    broken: plugins and parts of plugins that are not used, and why. warnings: sentences to show.
    disabled: names switched off in the settings. untrusted: drop-in plugins that were not run.
    """

    plugins: tuple[Plugin, ...]
    broken: tuple[Broken, ...] = ()
    warnings: tuple[str, ...] = ()
    disabled: tuple[str, ...] = ()
    untrusted: tuple[str, ...] = ()
    workshop: Workshop | None = field(default=None, repr=False)

    @property
    def readers(self) -> list[Reader]:
        """Readers in the order they are asked."""
        from catchpot.ingest.asking import in_order

        return in_order([r for p in self.plugins for r in p.readers])

    @cached_property
    def worker(self) -> Worker | None:
        """The process in which plugins that are not ours work; not started before it is asked. None without any."""
        if self.workshop is None or not any(p.outside for p in self.plugins):
            return None
        from catchpot.run.guard import Worker

        limit = self.workshop.settings.plugins.memory_limit_mb
        return Worker(self.workshop.home, limit, [p.file_digest for p in self.plugins if p.file_digest])

    @cached_property
    def guarded_readers(self) -> list[Reader]:
        """Readers in the order they are asked; those of plugins that are not ours work in a process of their own."""
        from catchpot.ingest.asking import in_order
        from catchpot.run.apart import ReaderApart

        return in_order([self._kept_apart(p, ReaderApart, r) for p in self.plugins for r in p.readers])

    @cached_property
    def guarded_sections(self) -> list[Section]:
        """Sections in the order of a page; those of plugins that are not ours work in a process of their own."""
        from catchpot.run.apart import SectionApart

        made = [self._kept_apart(p, SectionApart, s) for p in self.plugins for s in p.sections]
        return sorted(made, key=lambda s: (s.order, s.name))

    @cached_property
    def guarded_notes(self) -> list[Form]:
        """Forms of `note` by name; those of plugins that are not ours work in a process of their own."""
        from catchpot.run.apart import Form

        made = [
            Form(form, p.module, self.settings_of(p.name), self.worker if p.outside else None, self._time_limit_s)
            for p in self.plugins
            for form in p.notes
        ]
        return sorted(made, key=lambda form: form.name)

    @property
    def _time_limit_s(self) -> float:
        assert self.workshop is not None
        return self.workshop.settings.plugins.time_limit_s

    def _kept_apart(self, plugin: Plugin, kind: Callable[..., Any], item: Any) -> Any:
        if not plugin.outside or self.worker is None or self.workshop is None:
            return item
        return kind(item, self.worker, self._time_limit_s)

    @property
    def analyses(self) -> list[Analysis]:
        """Analyses in the plugins' order of name; the runner orders them by their needs."""
        return [a for p in self.plugins for a in p.analyses]

    @property
    def sections(self) -> list[Section]:
        """Sections in the order they stand on a page."""
        return sorted((s for p in self.plugins for s in p.sections), key=lambda s: (s.order, s.name))

    def analysis(self, name: str) -> Analysis:
        """The analysis of that name; KeyError with the names there are."""
        for a in self.analyses:
            if a.name == name:
                return a
        raise KeyError(f"no analysis {name!r}; there are {', '.join(sorted(a.name for a in self.analyses))}")

    def plugin_of(self, analysis: str) -> Plugin:
        """The plugin that registered the analysis."""
        for p in self.plugins:
            if any(a.name == analysis for a in p.analyses):
                return p
        raise KeyError(f"no analysis {analysis!r}")

    def tables(self) -> dict[str, Table]:
        """Every declared table by name: the core's and those the analyses yield."""
        declared = {t.name: t for t in CORE_TABLES}
        for a in self.analyses:
            for t in a.yields:
                declared.setdefault(t.name, t)
        return declared

    def check_settings(self) -> list[Problem]:
        """What is wrong in the workshop's `[analyses.NAME]` and `[settings.NAME]` settings."""
        from catchpot.workshop import check_analysis_settings, check_plugin_settings

        if self.workshop is None:
            return []
        models = {p.name: p.settings for p in self.plugins if p.settings is not None}
        return [
            *check_analysis_settings(self.workshop, self.analyses),
            *check_plugin_settings(self.workshop, models),
        ]

    def settings_of(self, plugin: str) -> BaseModel | None:
        """A plugin's own settings, validated; None where it registered none. ValidationError where they are wrong."""
        model = next((p.settings for p in self.plugins if p.name == plugin), None)
        if model is None:
            return None
        given = self.workshop.settings.settings.get(plugin, {}) if self.workshop is not None else {}
        return model.model_validate(given)

    def as_rows(self) -> list[dict[str, Any]]:
        """One row a plugin: name, origin, state, what it registers, what is wrong."""
        wrong: dict[tuple[str, str], list[str]] = {}
        for b in self.broken:
            wrong.setdefault((b.plugin, b.origin), []).append(b.error)
        rows = [
            {
                "plugin": p.name,
                "origin": p.origin,
                "state": "in use",
                "readers": [r.name for r in p.readers],
                "analyses": [a.name for a in p.analyses],
                "tables": sorted({t.name for a in p.analyses for t in a.yields}),
                "sections": [s.name for s in p.sections],
                "notes": [n.name for n in p.notes],
                "digest": p.file_digest or p.digest,
                "trust": "its content was trusted" if p.file_digest else "installed" if p.outside else "ours",
                "hooks": p.hooks,
                "needs": p.needs,
                "errors": wrong.pop((p.name, p.origin), []),
            }
            for p in self.plugins
        ]
        rows += [self._idle(name, origin, "not used", errors) for (name, origin), errors in wrong.items()]
        rows += [self._idle(name, "", "disabled in catchpot.toml", []) for name in self.disabled]
        rows += [self._idle(name, f"plugins/{name}.py", "not trusted, not run", []) for name in self.untrusted]
        return rows

    def _idle(self, name: str, origin: str, state: str, errors: Sequence[str]) -> dict[str, Any]:
        file = self.workshop.home / origin if self.workshop is not None and origin.startswith("plugins/") else None
        digest = Source(name, origin, file).digest() if file is not None else None
        nothing: Mapping[str, list[str]] = {
            k: [] for k in ("readers", "analyses", "tables", "sections", "notes", "hooks", "needs")
        }
        trust = "not trusted" if name in self.untrusted else ""
        return {
            "plugin": name, "origin": origin, "state": state, **nothing, "digest": digest or "", "trust": trust,
            "errors": list(errors),
        }  # fmt: skip
