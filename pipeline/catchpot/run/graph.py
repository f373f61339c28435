"""The order of the analyses, from what they need and yield."""

from __future__ import annotations

import difflib
import graphlib
import heapq
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from catchpot.analysis import Analysis
from catchpot.core_tables import CORE_TABLES, EVENT, LOG_NOTE, PART, SAMPLE, SHOT
from catchpot.tables import Table

STAR = "*"
# What the core itself fills; the rest of the core's tables are yielded by analyses.
GIVEN: dict[str, Table] = {t.name: t for t in (SHOT, SAMPLE, LOG_NOTE, EVENT, PART)}
_NOT_MEASURES = {"sample", "log_note", "phase", "quality", "curve"}
# Numbers of the shot table that no shot measures.
_SETTINGS = {"stroke_volume_ml"}


@dataclass(frozen=True)
class Step:
    """An analysis in its place.

    reads: table -> columns to deliver, keys included, all resolved; optional tables that nobody yields are absent.
    star: tables (and their measures) that "*" stands for; empty where it wasn't asked for.
    parents: analyses whose rows it reads.
    """

    analysis: Analysis
    plugin: str
    reads: Mapping[str, tuple[str, ...]]
    star: Mapping[str, tuple[str, ...]]
    parents: tuple[str, ...]

    @property
    def name(self) -> str:
        """The analysis's name."""
        return self.analysis.name


@dataclass(frozen=True)
class Problem:
    """An analysis that can't take part, and why."""

    analysis: str
    plugin: str
    message: str

    def __str__(self) -> str:
        return f"analysis {self.analysis} of plugin {self.plugin} can't run: {self.message}"


@dataclass(frozen=True)
class Plan:
    """Steps in order, the analyses left out, and every table by name."""

    steps: tuple[Step, ...]
    problems: tuple[Problem, ...]
    declared: Mapping[str, Table]

    def step(self, name: str) -> Step:
        """The step of that analysis; KeyError with the reason where it was left out."""
        for s in self.steps:
            if s.name == name:
                return s
        for p in self.problems:
            if p.analysis == name:
                raise KeyError(str(p))
        raise KeyError(f"no analysis {name!r}; there are {', '.join(sorted(s.name for s in self.steps))}")

    def with_parents(self, names: Sequence[str]) -> set[str]:
        """These analyses and all that they need."""
        wanted: set[str] = set()
        waiting = list(names)
        while waiting:
            name = waiting.pop()
            if name not in wanted:
                wanted.add(name)
                waiting += self.step(name).parents
        return wanted


def plan(analyses: Sequence[tuple[str, Analysis]]) -> Plan:
    """Order analyses by their needs; ties by name, so that the order of registration doesn't matter.

    analyses: (plugin, analysis). What has an unknown need, stands in a cycle or yields a table that another yields too
    is left out and named, with the plugins; so is what needs it. The rest is in order.
    """
    return _Planner(analyses).plan()


def measures(table: Table) -> tuple[str, ...]:
    """The columns of a table that "*" offers: numbers of a table keyed by shot; () for any other table.

    Extra keys must be text or whole numbers, since they become part of the measure's name.
    """
    if "shot" not in table.key or table.name in _NOT_MEASURES:
        return ()
    if any(table.column(k).dtype not in ("str", "i64") for k in table.key):
        return ()
    return tuple(
        c.name for c in table.columns if c.dtype == "f64" and c.name not in table.key and c.name not in _SETTINGS
    )


class _Planner:
    def __init__(self, analyses: Sequence[tuple[str, Analysis]]) -> None:
        self.plugins = {a.name: p for p, a in analyses}
        self.order = {a.name: i for i, (_, a) in enumerate(analyses)}
        self.all = {a.name: a for _, a in sorted(analyses, key=lambda x: x[1].name)}
        self.left = dict(self.all)
        self.problems: dict[str, Problem] = {}

    def plan(self) -> Plan:
        self._settle_providers()
        while faults := self._faults() or self._circle():
            for name, message in faults.items():
                self._leave_out(name, message)
        edges = self._edges()
        steps = tuple(self._step(n, edges) for n in _ordered(edges))
        declared = {**{t.name: t for t in CORE_TABLES}, **self._tables()}
        return Plan(steps, tuple(self.problems[n] for n in sorted(self.problems)), declared)

    def _leave_out(self, name: str, message: str) -> None:
        self.problems[name] = Problem(name, self.plugins[name], message)
        self.left.pop(name, None)

    def _named(self, name: str) -> str:
        return f"{name} (plugin {self.plugins[name]})"

    def _providers(self) -> dict[str, list[str]]:
        found: dict[str, list[str]] = {}
        for name, a in self.left.items():
            for t in a.yields:
                found.setdefault(t.name, []).append(name)
        return found

    def _tables(self) -> dict[str, Table]:
        return {t.name: t for a in self.left.values() for t in a.yields}

    def _settle_providers(self) -> None:
        """A table belongs to the first that registered it; who comes later with another of that name is left out."""
        for table, names in self._providers().items():
            first, *later = sorted(names, key=lambda n: self.order[n])
            if table in GIVEN:
                for n in names:
                    self._leave_out(n, f"it yields table {table}, which the core itself fills")
                continue
            own = next(t for t in self.all[first].yields if t.name == table)
            for n in later:
                other = next(t for t in self.all[n].yields if t.name == table)
                if not (own.shared and other.shared):
                    self._leave_out(n, f"it yields table {table}, which {self._named(first)} has registered first")
                elif other != own:
                    self._leave_out(
                        n, f"it declares shared table {table} otherwise than {self._named(first)} did first"
                    )

    def _faults(self) -> dict[str, str]:
        return {n: f for n, a in self.left.items() if (f := self._fault(a))}

    def _fault(self, a: Analysis) -> str:
        """Why an analysis can't be given what it asks for; empty where it can."""
        there = {**GIVEN, **self._tables()}
        for which, optional in ((a.needs, False), (a.optional, True)):
            for name, columns in which.items():
                if name == STAR or (optional and name not in there):
                    continue
                if name not in there:
                    return self._unknown(name, there)
                for c in columns:
                    if c != STAR and c not in there[name].names:
                        hint = _near(c, there[name].names)
                        return f"it needs column {c} of table {name}, which has none of that name{hint}"
        return ""

    def _unknown(self, table: str, there: Mapping[str, Table]) -> str:
        out = [n for n in self.problems if any(t.name == table for t in self.all[n].yields)]
        if out:
            return f"it needs table {table} of {self._named(out[0])}, which can't run either"
        return f"it needs table {table}, which no plugin in use yields{_near(table, list(there))}"

    def _circle(self) -> dict[str, str]:
        try:
            graphlib.TopologicalSorter(self._edges()).prepare()
        except graphlib.CycleError as error:
            around: list[str] = error.args[1]
            words = " -> ".join(map(self._named, around))
            return dict.fromkeys(around, f"analyses need each other in a circle: {words}")
        return {}

    def _edges(self) -> dict[str, set[str]]:
        """Analysis -> the analyses whose tables it reads."""
        providers = self._providers()
        edges = {
            n: {p for t in {**a.needs, **a.optional} for p in providers.get(t, ()) if p != n}
            for n, a in self.left.items()
        }
        stars = {n for n, a in self.left.items() if STAR in {**a.needs, **a.optional}}
        # What reads a "*" analysis comes after it and can't be part of what "*" stands for.
        after = set(stars)
        while more := {n for n, parents in edges.items() if n not in after and parents & after}:
            after |= more
        for n in stars:
            edges[n] |= {m for m, a in self.left.items() if m not in after and self._offers(a)}
        return edges

    def _offers(self, a: Analysis) -> bool:
        return a.causal and any(measures(t) for t in a.yields)

    def _step(self, name: str, edges: Mapping[str, set[str]]) -> Step:
        a = self.left[name]
        there = {**GIVEN, **self._tables()}
        asked = {**a.optional, **a.needs}
        reads = {}
        for t, columns in asked.items():
            if t != STAR and t in there:
                wanted = there[t].names if STAR in columns else columns
                reads[t] = tuple(dict.fromkeys([*there[t].key, *wanted]))
        star: dict[str, tuple[str, ...]] = {}
        if STAR in asked:
            own = [t for p in sorted(edges[name]) if self.left[p].causal for t in self.left[p].yields]
            only = asked[STAR]
            for table in sorted([SHOT, PART, *own], key=lambda t: t.name):
                picked = tuple(c for c in measures(table) if not only or STAR in only or c in only)
                if picked:
                    star[table.name] = picked
        return Step(a, self.plugins[name], reads, star, tuple(sorted(edges[name])))


def _ordered(edges: Mapping[str, set[str]]) -> list[str]:
    sorter = graphlib.TopologicalSorter(edges)
    sorter.prepare()
    ready: list[str] = []
    order: list[str] = []
    while sorter.is_active():
        for n in sorter.get_ready():
            heapq.heappush(ready, n)
        name = heapq.heappop(ready)
        order.append(name)
        sorter.done(name)
    return order


def _near(name: str, names: Sequence[str]) -> str:
    near = difflib.get_close_matches(name, names, 1)
    return f" (did you mean {near[0]}?)" if near else ""
