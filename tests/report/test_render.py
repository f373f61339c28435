"""Whole reports from a made-up store: what stands on the pages, what can't get out of them, what happens on failure."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import os
import re
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from types import MappingProxyType
from typing import Any

import polars as pl
import pytest

from catchpot.errors import CatchpotError
from catchpot.report import figures
from catchpot.report.edition import About
from catchpot.report.pages import GENERATOR, without_stamp
from catchpot.report.render import ReportOutcome, write_pages
from catchpot.report.section import Block, Cell, DataTable, Figure, Page, Panel, Part, Prose, Section, Sheet, View
from catchpot.tables import Table
from catchpot.testing.check_frames import Frames
from catchpot.workshop import MouldBook
from catchpot_fill.section import FillSection

START = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)
BOOK = MouldBook.model_validate({"moulds": {"hatch-3": {"line_pressure_limit_bar": 0.5}, "idle-9": {}}})


class Plain:
    """A section for tests; what it delivers is handed in."""

    order = 50
    analyses: tuple[str, ...] = ("drift",)

    def __init__(self, name: str, panel: Callable[[View], Panel | None], needs: Mapping[str, tuple[str, ...]]) -> None:
        self.name, self.title, self._panel, self.needs = name, name.title(), panel, needs

    def cells(self, view: View) -> Sequence[Cell]:
        return [Cell("Seen", str(view.mould), sort=1.0)]

    def panel(self, view: View) -> Panel | None:
        return self._panel(view) if view.mould is not None else None

    def pages(self, view: View) -> Sequence[Page]:
        return [Page("Own page", "Own page", [("First", Panel("in order", "A page of its own."))], "to the own page")]


class Links(HTMLParser):
    """Everything in a page that points somewhere, its ids and its scripts."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.targets: list[str] = []
        self.sources: list[str] = []
        self.handlers: list[str] = []
        self.tags: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        for key, value in attrs:
            if key == "id":
                self.ids.append(value or "")
            elif key == "href":
                self.targets.append(value or "")
            elif key in ("src", "srcset", "data", "action", "poster", "background"):
                self.sources.append(value or "")
            elif key.startswith("on"):
                self.handlers.append(key)


@pytest.fixture
def write(tmp_path: Path, declared: dict[str, Table]) -> Callable[..., ReportOutcome]:
    def write(store: Any, *sections: Section, **more: Any) -> ReportOutcome:
        settings = {"name": "Example workshop", "zone": "Europe/Lisbon", "book": BOOK, "declared": declared, **more}
        how = {k: settings.pop(k) for k in ("made_at", "single", "within") if k in settings}
        return write_pages(store, sections or (FillSection(),), tmp_path / "out", About(**settings), **how)

    return write


def _text(page: Path) -> str:
    return _text_of(page.read_text(encoding="utf-8"))


def _text_of(page: str) -> str:
    bare = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.S)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", bare)).split())


def _page(outcome: ReportOutcome, name: str) -> Path:
    return next(p for p in outcome.pages if str(p).endswith(f"/{name}"))


def test_report_says_what_the_tables_say(store: Callable[..., Any], write: Callable[..., ReportOutcome]) -> None:
    made = store({"hatch-3": 30, "stray": 5})
    outcome = write(made)
    assert outcome.complaints() == []
    known = made.table("fill", moulds=["hatch-3"]).filter(pl.col("arrival_volume_l").is_not_null())
    last = known.row(-1, named=True)
    page = _text(_page(outcome, "moulds/hatch-3.html"))
    assert f"{last['arrival_volume_l']:.3f} l (95 %: {last['arrival_volume_low_l']:.3f} to" in page
    assert f"{100 * (last['arrival_relative'] - 1):+.1f} %".replace("-", "−") in page
    assert "3 shots of 30 ended before resin arrived or too near to tell" in page
    assert "the cover would lift (−1.2 kN)" in page
    assert "Numbered lines: 1: 14 Mar 2026, seal replaced (outer)" in page
    assert "3 values could not be given: which, and why" in page
    missing = _text(_page(outcome, "not-computed.html"))
    assert "The shot stopped before the arrival could be told." in missing
    assert "hatch-3-023" in missing  # the newest refused shot is named
    assert "no entry in moulds.toml" in _text(_page(outcome, "moulds/stray.html"))
    assert "no entry in moulds.toml" not in page
    assert "No log of this mould is stored yet." in _text(_page(outcome, "moulds/idle-9.html"))
    index = _text(outcome.index)
    assert "2 moulds with logs: 1 to act on, 1 in order. Without a log so far: idle-9." in index
    assert "Data: 35 logs from 2 Mar 2026 to 10 Apr 2026" in index
    assert "(1 file set aside)" in index
    assert "logs/cut.csv 812 The last line is cut." in _text(_page(outcome, "workshop.html"))
    assert '"No finding" is not "safe"' in index
    assert "sets no pressure" in index


def test_findings_have_a_place_and_a_stable_link(
    store: Callable[..., Any], write: Callable[..., ReportOutcome]
) -> None:
    outcome = write(store({"hatch-3": 30}))
    links = Links(_page(outcome, "moulds/hatch-3.html").read_text(encoding="utf-8"))
    # "drift" has no section here: its finding stands under other findings all the same.
    assert "drift-volume_drift-hatch-3-2026-03-22" in links.ids
    assert "faults-race-hatch-3-002" in links.ids
    assert "#drift-volume_drift-hatch-3-2026-03-22" in links.targets
    # A finding of a shot long past asks for nothing any more: only its own link leads to it.
    index = Links(outcome.index.read_text(encoding="utf-8"))
    assert not any("faults-race" in t for t in index.targets)
    assert links.targets.count("#faults-race-hatch-3-002") == 1


def test_a_kind_found_shot_after_shot_asks_once(store: Callable[..., Any], write: Callable[..., ReportOutcome]) -> None:
    made = store({"hatch-3": 30})
    one = made.frames["finding"].tail(1)
    names = [f"hatch-3-{i:03d}" for i in (26, 28, 29, 30)]
    many = [
        one.with_columns(shot=pl.lit(n), anchor=pl.lit(f"faults-race-{n}"), since=pl.lit(START + timedelta(days=i)))
        for i, n in enumerate(names, 40)
    ]
    made.frames["finding"] = pl.concat([made.frames["finding"], *(f.cast(one.schema) for f in many)])
    outcome = write(made)
    page = _page(outcome, "moulds/hatch-3.html")
    assert "The same was found in 3 more of the last 5 shots." in _text(page)
    here = Links(page.read_text(encoding="utf-8"))
    assert here.targets.count("#faults-race-hatch-3-030") == 2  # what to do, and its own
    assert here.targets.count("#faults-race-hatch-3-029") == 1
    assert {f"faults-race-{n}" for n in names} <= set(here.ids)


def test_findings_stand_even_where_their_section_has_nothing_to_say(
    store: Callable[..., Any], write: Callable[..., ReportOutcome]
) -> None:
    outcome = write(store({"hatch-3": 30}), Plain("drift", lambda view: None, {}))
    assert "drift-volume_drift-hatch-3-2026-03-22" in Links(_page(outcome, "moulds/hatch-3.html").read_text()).ids


def _inside(outcome: ReportOutcome) -> dict[str, Links]:
    """Every page of a report by its name from the report's folder."""
    return {str(p.relative_to(outcome.index.parent)): Links(p.read_text(encoding="utf-8")) for p in outcome.pages}


def test_every_link_inside_the_report_leads_somewhere(
    store: Callable[..., Any], write: Callable[..., ReportOutcome]
) -> None:
    outcome = write(store({"hatch-3": 30, "a/b": 3, "a b": 3}))
    pages = _inside(outcome)
    assert {"moulds/a-b.html", "moulds/a-b-2.html", "shots/a-b-2.html"} <= set(pages)  # one slug, two pages
    for name, links in pages.items():
        assert len(links.ids) == len(set(links.ids)), name
        for target in links.targets:
            path, _, anchor = target.partition("#")
            file = path.partition("?")[0]
            to = os.path.normpath(f"{Path(name).parent}/{file}") if file else name
            assert to in pages or to.startswith("assets/"), (name, target)
            if anchor:
                assert anchor in pages[to].ids, (name, target)


def _policy(text: str) -> dict[str, str]:
    policy = html.unescape(re.search(r'Content-Security-Policy" content="([^"]*)"', text)[1])  # type: ignore[index]  # a page without one fails here
    return dict(rule.strip().split(" ", 1) for rule in policy.split(";"))


def test_pages_ask_for_nothing_but_their_own_files(
    store: Callable[..., Any], write: Callable[..., ReportOutcome]
) -> None:
    outcome = write(store({"hatch-3": 30}))
    for path in outcome.pages:
        text = path.read_text(encoding="utf-8")
        links = Links(text)
        for source in links.sources:
            assert (path.parent / source).resolve().is_relative_to(outcome.index.parent.resolve() / "assets")
            assert (path.parent / source).is_file()
        assert links.handlers == []
        assert not {"iframe", "img", "object", "embed", "base", "style"} & set(links.tags)
        assert not [t for t in links.targets if re.match(r"[a-z]+:|//", t)]
        assert re.findall(r"<script(?![^>]*(?:application/json|src=))", text) == []
        rules = _policy(text)
        assert rules["default-src"] == "'none'"
        assert (rules["script-src"], rules["style-src"]) == ("'self'", "'self'")


def test_a_page_to_mail_holds_everything_and_lets_nothing_out(
    store: Callable[..., Any], write: Callable[..., ReportOutcome]
) -> None:
    outcome = write(store({"hatch-3": 30}), single="hatch-3")
    assert outcome.single is not None
    text = outcome.single.read_text(encoding="utf-8")
    links = Links(text)
    assert links.sources == []
    assert all(t.startswith("#") for t in links.targets)
    assert text.count("plotly.js (cartesian - minified)") == 1
    rules = _policy(text)
    for kind, tag in (("script-src", "script"), ("style-src", "style")):
        blocks = re.findall(rf"<{tag}(?![^>]*application/json)[^>]*>(.*?)</{tag}>", text, flags=re.S)
        wanted = {f"'sha256-{base64.b64encode(hashlib.sha256(b.encode()).digest()).decode()}'" for b in blocks}
        assert wanted == set(rules[kind].split()), kind
    with pytest.raises(CatchpotError, match="there is no mould 'nobody'"):
        write(store({"hatch-3": 3}), single="nobody")


def test_the_plotting_library_lies_once_beside_pages_that_stay_small(
    store: Callable[..., Any], write: Callable[..., ReportOutcome]
) -> None:
    outcome = write(store({"hatch-3": 600}))
    assert len(list(outcome.index.parent.rglob("plotly-*.js"))) == 1
    for path in outcome.pages:
        assert "plotly.js (cartesian" not in path.read_text(encoding="utf-8")
        assert path.stat().st_size < 500_000
    assert outcome.index.stat().st_size < 50_000


def test_the_board_fits_a_terminal(store: Callable[..., Any], write: Callable[..., ReportOutcome]) -> None:
    made = _with_words(store({"hatch-3": 30, "locker-1": 12}), "")
    board = write(made).board
    assert [line.split()[0] for line in board[2:]] == ["hatch-3", "locker-1", "idle-9"]
    assert max(map(len, board)) <= 80
    assert board[2].split()[1] == "act" and "no shot yet" in board[4]


def test_what_changed_is_told_against_the_report_of_an_earlier_day(
    store: Callable[..., Any], write: Callable[..., ReportOutcome]
) -> None:
    first = write(store({"hatch-3": 12}))
    assert "This is the first report here" in _text(first.index)
    second = write(store({"hatch-3": 14, "locker-1": 3}))
    assert "hatch-3 : 2 new shots" in _text(second.index) and "locker-1 : new here, with 3 shots." in _text(
        second.index
    )
    before = second.index.read_bytes()
    # The same data told again: the same is new, and the page is the same.
    assert write(store({"hatch-3": 14, "locker-1": 3})).index.read_bytes() == before


def test_a_new_shot_renews_its_moulds_pages_only(
    store: Callable[..., Any], write: Callable[..., ReportOutcome]
) -> None:
    def with_ledger(made: Any) -> Any:
        shots = made.frames["shot"]["shot"].to_list()
        rows = [("fill", s, f"key of {s}", "done", "", 0.1) for s in shots]
        made.past = pl.DataFrame(rows, schema=made.past.schema, orient="row")
        return made

    write(with_ledger(store({"hatch-3": 12, "locker-1": 9})))
    again = write(with_ledger(store({"hatch-3": 12, "locker-1": 9})))
    assert again.rewritten == ()
    more = write(with_ledger(store({"hatch-3": 12, "locker-1": 10})))
    renewed = {n for n in more.rewritten if n.startswith(("moulds/", "shots/"))}
    assert renewed == {"moulds/locker-1.html", "shots/locker-1.html", "shots/data/locker-1-2026-03.js"}
    assert "index.html" in more.rewritten


def _with_words(made: Any, text: str) -> Any:
    for name, columns in {
        "shot": ["shot", "mould"], "injection": ["shot"], "fill": ["shot", "mould"], "permeability": ["shot", "mould"],
        "own_curve": ["mould", "knowledge"],
        "refusal": ["reason", "unit"], "event": ["detail"], "quarantine": ["reason", "source_file"],
        "finding": ["message", "advice", "kind", "anchor", "mould", "shot"],
    }.items():  # fmt: skip
        made.frames[name] = made.frames[name].with_columns(pl.col(columns) + text)
    return made


def _section_of(text: str) -> Plain:
    table = pl.DataFrame({text: [text, "x"]})
    strip = figures.Strip(text, [1, 2], [1.0, 2.0], names=[text, "b"], band=(0, 1), band_words=text)
    figure = figures.history([strip], [figures.Flag(1, text)])
    blocks: list[Block] = [
        Figure(text, text, figure, text, table), DataTable("t", text, table, text), Prose((text,), "caution", text),
        Prose((text,), "list"), Prose((text,)),
    ]  # fmt: skip
    return Plain(text, lambda view: Panel("watch", text, blocks, text, (text,)), {"shot": ("mould",)})


def test_hostile_words_from_a_log_stay_words(
    store: Callable[..., Any], write: Callable[..., ReportOutcome], hostile: str
) -> None:
    tags: dict[str, list[list[str]]] = {}
    for text in ("harmless words", hostile):
        made = _with_words(store({"hatch-3": 12}), text)
        outcome = write(made, FillSection(), _section_of(text), name=text, broken=[(text, text, text)])
        assert outcome.complaints() == []
        # Lines of words in a figure (text) are as many as the words need.
        tags[text] = [[t for t in Links(p.read_text(encoding="utf-8")).tags if t != "text"] for p in outcome.pages]
        assert len(outcome.pages) == 12
    # The same elements in the same order: nothing of the text became markup.
    assert sorted(tags[hostile]) == sorted(tags["harmless words"])
    for path in outcome.pages:
        content = path.read_text(encoding="utf-8")
        for block in re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', content, re.S):
            json.loads(block)
            assert not re.search("[<>\u2028]", block)
        outside = [t for t in Links(content).targets if re.match(r"[a-z]+:|//", t)]
        assert outside == []


def test_a_failing_section_becomes_a_card_and_the_rest_is_written(
    store: Callable[..., Any], write: Callable[..., ReportOutcome]
) -> None:
    def fails(view: View) -> Panel:
        return Panel("in order", str(view.tables["shot"]["no_such_column"]))

    def odd(view: View) -> Panel:
        return Panel("in order", "x", [Figure("f", "t", {"data": [{"type": "scattergl"}]}, "s")])

    outcome = write(
        store({"hatch-3": 12}), Plain("broken", fails, {"shot": ("mould",)}), Plain("odd", odd, {}), FillSection()
    )
    page = _text(_page(outcome, "moulds/hatch-3.html"))
    assert "Broken: this section could not be drawn" in page
    assert "no_such_column" in page
    assert "traces of type scattergl" in page
    assert "Resin reached the vent after" in page
    assert "Broken: this section could not be drawn" in _text(outcome.index)
    assert {c.name for c in outcome.cards} == {"broken", "odd"}
    assert any("section broken could not be drawn on moulds/hatch-3.html" in c for c in outcome.complaints())
    assert {"section", "page", "error"} == set(outcome.as_dict()["failed_sections"][0])


def test_a_state_of_ones_own_is_refused(store: Callable[..., Any], write: Callable[..., ReportOutcome]) -> None:
    outcome = write(store({"hatch-3": 3}), Plain("own", lambda view: Panel("green", "x"), {}))  # type: ignore[arg-type]  # a plugin without types
    assert "state 'green' is none of in order, watch, act, not assessed" in outcome.complaints()[0]


def test_sections_see_their_mould_in_order_of_time(
    store: Callable[..., Any], write: Callable[..., ReportOutcome]
) -> None:
    seen: dict[str, View] = {}
    made = store({"hatch-3": 12, "stray": 4})
    made.frames["fill"] = made.frames["fill"].sample(fraction=1.0, shuffle=True, seed=3)

    def panel(view: View) -> Panel:
        seen[str(view.mould)] = view
        return Panel("in order", f"{view.tables['fill'].height} shots")

    needs = {"fill": ("arrival_volume_l",), "shot": ("*",), "event": ("kind",), "of_nobody": ("a", "b")}
    write(made, Plain("looks", panel, needs))
    view = seen["stray"]
    fill = view.tables["fill"]
    assert set(fill.columns) == {"shot", "arrival_volume_l", "mould", "started_at"}
    assert fill["shot"].to_list() == [f"stray-{i:03d}" for i in range(1, 5)]
    assert fill["started_at"].is_sorted()
    assert view.tables["event"]["kind"].to_list() == ["note"]  # the workshop's own events, not another mould's
    assert seen["hatch-3"].tables["event"].height == 3
    assert view.tables["of_nobody"].columns == ["a", "b"]
    with pytest.raises(KeyError, match="did not say that it needs table 'curve'"):
        view.tables["curve"]


def test_own_pages_are_linked_and_old_pages_swept(
    store: Callable[..., Any], write: Callable[..., ReportOutcome], tmp_path: Path
) -> None:
    section = Plain("p", lambda view: Panel("in order", "x"), {})
    first = write(store({"hatch-3": 3, "gone": 3}), section)
    assert "own-page.html" in Links(first.index.read_text()).targets
    assert "A page of its own." in _text(_page(first, "own-page.html"))
    notes = tmp_path / "out" / "notes.html"
    notes.write_text("<p>mine</p>")
    second = write(store({"hatch-3": 3}), section)
    left = set((tmp_path / "out").rglob("*.html"))
    assert left == {*second.pages, notes}


def test_two_sections_cannot_write_one_page(store: Callable[..., Any], write: Callable[..., ReportOutcome]) -> None:
    panel = Panel("in order", "x")
    outcome = write(store({"hatch-3": 3}), Plain("one", lambda v: panel, {}), Plain("two", lambda v: panel, {}))
    assert [c for c in outcome.complaints() if "own-page.html is written already" in c]


def test_failed_analyses_are_said(store: Callable[..., Any], write: Callable[..., ReportOutcome]) -> None:
    made = store({"hatch-3": 3})
    made.past = pl.DataFrame(
        [("fill", "hatch-3-001", "k", "failed", "Traceback ...\n  File x\nValueError: no flow", 0.1),
         ("fill", "hatch-3-002", "k", "done", "", 0.1)], schema=made.past.schema, orient="row",
    )  # fmt: skip
    outcome = write(made)
    for page in (_page(outcome, "not-computed.html"), _page(outcome, "moulds/hatch-3.html")):
        assert "ValueError: no flow" in _text(page)
        assert "Traceback" not in _text(page)
    assert "1 analysis failed" in _text(outcome.index)


def test_an_empty_workshop_has_a_report_too(store: Callable[..., Any], write: Callable[..., ReportOutcome]) -> None:
    outcome = write(Frames({}, store({"hatch-3": 1}).declared), book=MouldBook())
    assert outcome.complaints() == []
    assert "No shot of a mould is stored yet." in _text(outcome.index)


def test_reports_do_not_depend_on_the_clock(store: Callable[..., Any], write: Callable[..., ReportOutcome]) -> None:
    made = store({"hatch-3": 9})
    first = {p: p.read_bytes() for p in write(made, made_at=START).pages}
    assert first == {p: p.read_bytes() for p in write(made, made_at=START).pages}
    for path in first:
        path.unlink()
    second = {p: p.read_text(encoding="utf-8") for p in write(made, made_at=START + timedelta(days=1)).pages}
    assert {p: without_stamp(t) for p, t in second.items()} == {p: without_stamp(b.decode()) for p, b in first.items()}
    assert all("Made 3 Mar 2026, 07:30." in text for text in second.values())


def test_reference_page_holds_every_column(
    store: Callable[..., Any], write: Callable[..., ReportOutcome], declared: dict[str, Table]
) -> None:
    page = _text(_page(write(store({"hatch-3": 3})), "tables.html"))
    for table in declared.values():
        assert table.name in page
        for column in table.columns:
            assert f"{column.name} " in page
            assert " ".join(column.doc.split()) in page


def test_library_is_the_one_plotly_py_speaks_to() -> None:
    from plotly.offline import get_plotlyjs_version

    from catchpot.report.pages import LIBRARY, asset

    assert f"plotly.js (cartesian - minified) v{get_plotlyjs_version()}" in asset(LIBRARY)[:400]
    assert "MIT License" in asset("plotly-cartesian.LICENSE")


def test_a_page_that_leaves_the_house_bears_the_letterhead_and_leads_to_its_shots(
    store: Callable[..., Frames], write: Callable[..., ReportOutcome], hostile: str
) -> None:
    shots = pl.DataFrame({"shot": ["hatch-3-001"], "value": [2.5]})

    class Month(FillSection):
        def pages(self, view: View) -> Sequence[Page]:
            panel = Panel("in order", "All is well.", [DataTable("rows", "Rows", shots)])
            return [
                Page("2026-03", "March", [("Shots", panel)], folder="months", letterhead=True, shots=["hatch-3-001"]),
                Page("own", "Own", [("Shots", panel)]),
            ]

    out = write(store({"hatch-3": 3}), Month(), letterhead=f"Example yard\n{hostile}").index.parent
    month = (out / "months/2026-03.html").read_text(encoding="utf-8")
    assert "<p>Example yard</p>" in month and "<script>alert(1)" not in month
    assert '<a href="../shots/hatch-3.html?shot=hatch-3-001">hatch-3-001</a>' in month
    own = (out / "own.html").read_text(encoding="utf-8")
    assert "Example yard" not in own and "<td" in own and "?shot=" not in own


def test_a_page_that_is_kept_goes_with_the_version_that_wrote_it(
    store: Callable[..., Frames], write: Callable[..., ReportOutcome], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its script and style are named by their content: those of another version would be gone."""

    class Keyed(FillSection):
        def pages(self, view: View) -> Sequence[Page]:
            return [Page("own", "Own", [("Shots", Panel("in order", "All is well."))], key="the same")]

    assert "own.html" in write(store({"hatch-3": 3}), Keyed()).rewritten
    assert "own.html" not in write(store({"hatch-3": 3}), Keyed()).rewritten
    monkeypatch.setattr("catchpot.report.site.code_of", lambda sections: "another version")
    monkeypatch.setattr("catchpot.report.pages.asset", lambda name: f"/* {name} */")
    done = write(store({"hatch-3": 3}), Keyed())
    page = done.index.parent / "own.html"
    links = re.findall(r'(?:href|src)="(assets/[^"]+)"', page.read_text(encoding="utf-8"))
    assert links and all((done.index.parent / link).exists() for link in links)


def test_a_page_of_many_parts_becomes_a_page_for_each(
    store: Callable[..., Frames], write: Callable[..., ReportOutcome]
) -> None:
    class Month(FillSection):
        many = 3

        def pages(self, view: View) -> Sequence[Page]:
            shots = pl.DataFrame({"shot": ["hatch-3-001"], "value": [2.5]})
            names = ["all moulds", *(f"Mould {i}" for i in range(self.many)), "mould-0"]
            parts = [
                Part(n, [("Shots", Panel("in order", f"{n} is well.", [DataTable("rows", "Rows", shots)]))])
                for n in names
            ]
            return [Page("2026-03", "March", folder="months", choose="mould", parts=parts, key=f"{self.many}",
                         shots=["hatch-3-001"])]  # fmt: skip

    done = write(store({"hatch-3": 3}), Month())
    out = done.index.parent
    month = (out / "months/2026-03.html").read_text(encoding="utf-8")
    assert "Mould 2 is well." in month and 'data-parts="mould"' in month and not (out / "months/2026-03").exists()
    Month.many = 12
    write(store({"hatch-3": 3}), Month())
    month = (out / "months/2026-03.html").read_text(encoding="utf-8")
    assert "all moulds is well." in month and "Mould 2 is well." not in month
    links = re.findall(r'<option value="([^"]+)"', month)
    assert len(links) == 14 and links[0] == "2026-03.html" and len(set(links)) == 14
    for link in links[1:]:
        page = (out / "months" / link).read_text(encoding="utf-8")
        assert page.count(" is well.") == 1 and 'href="../../assets/' in page
        assert '<a href="../2026-03.html">March</a>' in page and 'href="../../shots/hatch-3.html?shot=' in page
        assert "mould-0.html" in page and len(re.findall("<option", page)) == 14
    again = write(store({"hatch-3": 3}), Month())
    assert not [n for n in again.rewritten if n.startswith("months/")]
    (out / "months" / links[3]).unlink()
    write(store({"hatch-3": 3}), Month())
    assert (out / "months" / links[3]).exists()
    Month.many = 2
    write(store({"hatch-3": 3}), Month())
    assert not (out / "months/2026-03").exists()


def test_sheets_stand_on_the_board_and_on_the_moulds_page_and_pages_beside_are_linked_where_they_are(
    store: Callable[..., Frames], write: Callable[..., ReportOutcome], tmp_path: Path
) -> None:
    class Sheets(FillSection):
        beside: Mapping[str, str] = MappingProxyType({"week.html": "The week"})

        def cells(self, view: View) -> Sequence[Cell]:
            return [Cell("Next shot", "2.61 l", "go", large=True)]

        def sheets(self, view: View) -> Sequence[Sheet]:
            return [Sheet("sheets/hatch-3.html", "<!doctype html>sheet", "hatch-3: GO", "hatch-3")]

    out = write(store({"hatch-3": 3}), Sheets()).index.parent
    board = (out / "index.html").read_text(encoding="utf-8")
    assert '<a class="sheet" href="sheets/hatch-3.html">' in board and "week.html" not in board
    assert 'href="../sheets/hatch-3.html"' in (out / "moulds/hatch-3.html").read_text(encoding="utf-8")
    (out / "week.html").write_text(GENERATOR)
    write(store({"hatch-3": 3}), Sheets())
    assert '<a href="week.html">The week</a>' in (out / "index.html").read_text(encoding="utf-8")
    (out / "week.html").write_text("somebody else's page")
    write(store({"hatch-3": 3}), Sheets())
    assert "week.html" not in (out / "index.html").read_text(encoding="utf-8")
    assert (out / "week.html").exists()


def test_decimal_commas_stand_in_all_that_is_read_and_in_no_name_or_number_of_a_script(
    store: Callable[..., Frames], write: Callable[..., ReportOutcome], tmp_path: Path
) -> None:
    plain = write(store({"hatch-3": 30}), version="0.1.0", made_at=START).index.parent
    before = {n: (plain / n).read_text(encoding="utf-8") for n in ("index.html", "moulds/hatch-3.html")}
    comma = write(store({"hatch-3": 30}), version="0.1.0", decimal=",", made_at=START).index.parent
    for name, old in before.items():
        text = _text(comma / name)
        left = [m for m in re.findall(r"\S*\d\.\d\S*", text) if "0.1.0" not in m]
        assert left == [], name
        assert text.replace(",", ".") == _text_of(old).replace(",", ".")
    new = (comma / "moulds/hatch-3.html").read_text(encoding="utf-8")
    blocks = [re.findall(r'type="application/json"[^>]*>(.*?)</script>', t, re.S) for t in (old, new)]
    numbers = [re.findall(r"-?\d+\.\d+", "".join(b)) for b in blocks]
    assert numbers[0] and [json.loads(b) for b in blocks[1]] and len(numbers[1]) > 0.9 * len(numbers[0])
