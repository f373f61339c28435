"""A mould's page of shots: all of them in a table, and any one of them, or two, drawn from the month's data file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from catchpot.report import theme, words
from catchpot.report.collect import Found
from catchpot.report.freshness import Freshness, digest, note_of
from catchpot.report.shot_data import MonthFile, channels_described
from catchpot.report.shot_links import month_of
from catchpot.shop_units import in_heading, in_shop

if TYPE_CHECKING:
    import polars as pl

    from catchpot.report.site import Site
    from catchpot.report.views import Shelf
    from catchpot.tables import Column, Table

BATCH = 25
OWN = ("vol_l", "resistance_bar_min_l", "scatter_bar_min_l", "arrival_volume_l", "viscosity_pa_s")
ROW = (
    "injected_volume_l", "arrival_volume_l", "arrival_volume_low_l", "arrival_volume_high_l", "arrival_relative",
    "fill_time_s", "peak_line_pressure_bar",
)  # fmt: skip


def shot_pages(
    site: Site, stems: Mapping[str, str], links: Mapping[str, str], fresh: Freshness, *, moulds: Sequence[str]
) -> None:
    """Write the moulds' pages of shots; those that would come out as they are stay. stems, links: of each mould."""
    due = [m for m in moulds if not _unchanged(site, stems[m], m, fresh)]
    tables = numbered(site)
    for start in range(0, len(due), BATCH):
        some = due[start : start + BATCH]
        shelf = _shelf(site, some, tables)
        for mould in some:
            _page(site, stems[mould], mould, links[mould], tables, shelf, fresh)


def shot_page(site: Site, stem: str, mould: str, link: str, fresh: Freshness) -> None:
    """Write one mould's page of shots."""
    if not _unchanged(site, stem, mould, fresh):
        tables = numbered(site)
        _page(site, stem, mould, link, tables, _shelf(site, [mould], tables), fresh)


def _unchanged(site: Site, stem: str, mould: str, fresh: Freshness) -> bool:
    name = f"shots/{stem}.html"
    used = note_of(site.pages.remembered(name)).get("used", ())
    return site.pages.unchanged(name, fresh.key(mould, used))


def _shelf(site: Site, moulds: Sequence[str], tables: Sequence[Table]) -> Shelf:
    return site.shelf_of(moulds, [{**{t.name: ("*",) for t in tables}, "own_curve": ("*",)}])


def data_files(site: Site, stem: str, shots: pl.DataFrame) -> list[MonthFile]:
    """A mould's data files."""
    months: dict[str, list[tuple[str, str]]] = {}
    for shot, started, source in shots.select("shot", "started_at", "source_digest").iter_rows():
        months.setdefault(month_of(started, site.zone), []).append((shot, source or ""))
    return [
        MonthFile(f"shots/data/{stem}-{month}.js", [s for s, _ in some], digest(site.code, repr(sorted(some))))
        for month, some in months.items()
    ]


def numbered(site: Site) -> list[Table]:
    """Tables keyed by shot, alone or with one more word, that hold a quantity with its interval."""
    made = []
    for table in site.declared.values():
        simple = table.key[:1] == ("shot",) and len(table.key) <= 2 and not table.shared
        if simple and table.name not in ("sample", "quality", "phase", "curve", "log_note") and with_interval(table):
            made.append(table)
    return sorted(made, key=lambda t: t.name)


def with_interval(table: Table) -> list[tuple[Column, Column, Column]]:
    """Quantities of a table with the two ends of their interval."""
    made = []
    for column in table.columns:
        if column.dtype != "f64" or "_low" in column.name or "_high" in column.name:
            continue
        stems = [column.name[: i or None] for i in range(len(column.name)) if column.name[i : i + 1] == "_"]
        for stem in [column.name, *reversed(stems)]:
            rest = column.name[len(stem) :]
            low, high = f"{stem}_low{rest}", f"{stem}_high{rest}"
            if low in table.names and high in table.names:
                made.append((column, table.column(low), table.column(high)))
                break
    return made


def _page(
    site: Site, stem: str, mould: str, link: str, tables: Sequence[Table], shelf: Shelf, fresh: Freshness
) -> None:
    shots = site.survey.of(mould)
    found: dict[str, list[Found]] = {}
    for f in site.survey.found_on(mould):
        found.setdefault(f.shot, []).append(f)
    fill = _by_shot(shelf.table("fill", ("*",), mould)) if "fill" in site.declared else {}
    rows = [
        _row(shot, started, fill.get(shot, {}), found.get(shot, ()), site.zone)
        for shot, started in reversed(list(shots.select("shot", "started_at").iter_rows()))
    ]
    name = f"shots/{stem}.html"
    used = [t.name for t in tables]
    data = {
        "months": {s: month_of(t, site.zone) for s, t in shots.select("shot", "started_at").iter_rows()},
        "starts": {s: words.minute(t, site.zone) for s, t in shots.select("shot", "started_at").iter_rows()},
        "stem": stem,
        "channels": channels_described(),
        "litre": in_shop("l")[:2],
        "resistance": in_heading("resistance [bar min/l]"),
        "own": _own(shelf, mould) if "own_curve" in site.declared else None,
        **_numbers(tables, shelf, mould),
        "found": {
            shot: [[f.severity, f.kind, f.message, f.advice, f.anchor] for f in some]
            for shot, some in found.items() if shot
        },
    }  # fmt: skip
    site.pages.write(
        name,
        "shots.html",
        f"Shots of {mould}",
        key=fresh.key(mould, used),
        note={"used": used},
        mould=mould,
        link=link,
        rows=rows,
        litre=in_shop("l")[0],
        figured=True,
        data_json=Markup(theme.to_script_json(data)),
    )


def _by_shot(frame: pl.DataFrame) -> dict[str, dict[str, Any]]:
    wanted = [c for c in ("shot", *ROW) if c in frame.columns]
    return {r["shot"]: r for r in frame.select(wanted).iter_rows(named=True)} if "shot" in wanted else {}


def _row(shot: str, started: Any, fill: Mapping[str, Any], found: Sequence[Found], zone: str) -> dict[str, Any]:
    value, low, high = (fill.get(f"arrival_volume{end}_l") for end in ("", "_low", "_high"))
    relative = fill.get("arrival_relative")
    told = [f for f in found if f.severity != "note" and f.rank == 1]
    return {
        "shot": shot,
        "started": words.minute(started, zone),
        "injected": words.number(fill.get("injected_volume_l"), "l", 4, bare=True) if fill else "–",
        "arrival": words.with_interval(value, low, high, "l", bare=True) if value is not None else "–",
        "relative": words.signed(100 * (relative - 1)) if relative is not None else "–",
        "time": words.number(fill.get("fill_time_s")) if fill.get("fill_time_s") is not None else "–",
        "state": told[0].severity if told else "",
        "found": words.listed([f.kind for f in told], 3),
    }


def _own(shelf: Shelf, mould: str) -> list[Any] | None:
    rows = shelf.table("own_curve", ("*",), mould)
    if rows.is_empty() or not set(OWN) <= set(rows.columns):
        return None
    r = rows.row(-1, named=True)

    def short(values: Any) -> list[float | None]:
        return [None if v is None else float(f"{v:.4g}") for v in values]

    return [*(short(r[c]) for c in OWN[:3]), *(r[c] for c in OWN[3:])]


def _numbers(tables: Sequence[Table], shelf: Shelf, mould: str) -> dict[str, Any]:
    """quantities: [words, unit] each; numbers: shot -> [quantity, value, low, high] rows."""
    quantities: list[list[str]] = []
    places: dict[tuple[str, str, str], int] = {}
    numbers: dict[str, list[list[Any]]] = {}
    for table in tables:
        frame = shelf.table(table.name, ("*",), mould)
        for value, low, high in with_interval(table):
            unit, factor, _ = in_shop(value.unit)
            wanted = ["shot", *(table.key[1:2]), value.name, low.name, high.name]
            if not set(wanted) <= set(frame.columns):
                continue
            for row in frame.select(wanted).iter_rows():
                shot, v, a, b = row[0], *row[-3:]
                if v is None:
                    continue
                of = str(row[1]) if len(table.key) == 2 else ""
                place = (table.name, value.name, of)
                if place not in places:
                    places[place] = len(quantities)
                    label = value.heading.split(" [")[0]
                    quantities.append([f"{label} ({words.words_of(of)})" if of else label,
                                       words.pretty_unit(unit), table.name, value.name])  # fmt: skip
                short = [None if x is None else float(f"{factor * x:.5g}") for x in (v, a, b)]
                numbers.setdefault(shot, []).append([places[place], *short])
    return {"quantities": quantities, "numbers": numbers}


__all__ = ["data_files", "numbered", "shot_page", "shot_pages", "with_interval"]
