"""The fill section: arrival volume against the mould's own past, mobility, the last curves, the closing force."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from catchpot.report import words
from catchpot.report.figures import Flag
from catchpot.report.section import Block, Cell, DataTable, Page, Panel, Prose, View
from catchpot_fill.sentences import (
    change_of_arrival,
    closing_force,
    ease,
    headline,
    joined,
    pressure_limit,
    sentences,
    short,
    triple,
    usual_arrival,
    vent_hose_l,
    with_arrival,
)

if TYPE_CHECKING:
    import polars as pl

LAST_SHOTS = 8
TREND_SHOTS = 30
METHOD = (
    "The shots of one mould share one curve of resistance (driving pressure over viscosity and flow) along the metered "
    "volume. Each shot is laid on the curve of the shots before it: how far it is stretched is its volume against the "
    "usual one. Where on the curve resin arrives is one place for all shots, read from the curve's bends and jumps, as "
    "two-dimensional fillings of many made-up moulds show them, from the mould book's volume, and from what was seen: "
    "weighed catch pots, resin at the vent. Corners can fill after resin arrives, so overflow is an upper bound, and "
    "what the part took is a little more than the arrival volume; where there is a vent hose, what stays in it counts "
    "with the part. Mobility is permeability over viscosity and is what "
    "the log shows; permeability needs the mould book's geometry and resin as well."
)
REFERENCES = (
    "H. Darcy, Les fontaines publiques de la ville de Dijon, 1856 (flow through a porous bed).",
    "W. H. Lawton, E. A. Sylvestre and M. S. Maggio, Technometrics 14 (1972) 513 (curves that share a shape).",
    "A. Kneip and T. Gasser, Annals of Statistics 16 (1988) 82 (shape-invariant models).",
)


class FillSection:
    """How each shot of a mould filled."""

    name = "fill"
    title = "Filling"
    order = 10
    analyses: tuple[str, ...] = ("fill",)
    needs: Mapping[str, tuple[str, ...]] = {
        "shot": ("mould", "started_at"),
        "fill": ("*",),
        "permeability": ("*",),
        "own_curve": ("*",),
        "injection": ("injected_volume_l", "resistance_per_m3"),
        "event": ("*",),
    }

    def cells(self, view: View) -> Sequence[Cell]:
        """Last shot, the arrival volume against its own usual, clamp margin."""
        rows = joined(view)
        if rows.is_empty():
            return []
        last = rows.row(-1, named=True)
        change = change_of_arrival(rows)
        trend = tuple(rows["arrival_relative"].tail(TREND_SHOTS).to_list())
        cells = [
            Cell("Last shot", words.day(last["started_at"], view.zone), sort=_stamp(last["started_at"]), order=11),
            Cell(
                "Arrival volume, against usual",
                words.signed(change[0], "%") if change else "too few shots",
                sort=change[0] if change else None,
                order=12,
                trend=trend,
            ),
        ]
        # with the vent blocked the whole part is under pressure: the margin that goes first
        for column, head in (("blocked_vent_margin_n", "vent blocked"), ("clamp_margin_n", "while filling")):
            margins = rows[column].drop_nulls()
            if margins.len():
                margin = float(margins[-1]) / 1000
                said = f"{words.number(margin, 'kN', 2)} ({head})"
                cells.append(Cell("Clamp margin, at most", said, sort=margin, order=13))
                break
        return cells

    def panel(self, view: View) -> Panel | None:
        """The mould's filling; nothing on the workshop page."""
        if view.mould is None:
            return None
        rows = joined(view)
        if rows.is_empty():
            return Panel("not assessed", "No shot of this mould was injected and logged yet.", method=METHOD)
        known = with_arrival(rows)
        state, warning, margin = closing_force(view, rows)
        newest = rows.row(-1, named=True)
        hose_l = vent_hose_l(view, newest)
        # A negative closing force comes before everything else.
        blocks: list[Block] = [
            *(margin if state == "act" else ()),
            Prose(sentences(rows, known, pressure_limit(view, newest), hose_l)),
            *_own_curve(view),
        ]
        more: list[Block] = []
        if rows["started_at"].drop_nulls().len():
            more.append(_history(view, rows, usual_arrival(known)))
        more.append(_last_shots(rows, hosed=hose_l > 0))
        if flows := ease(newest):
            more.append(Prose((flows,), title="How easily the pack let resin through"))
        more += margin if state != "act" else ()
        return Panel(
            state if known.height or state == "act" else "not assessed",
            warning + headline(view.mould, rows, known, view.zone),
            blocks,
            METHOD,
            REFERENCES,
            warning.strip(),
            more,
        )

    def pages(self, view: View) -> Sequence[Page]:
        """None of its own."""
        return ()


def _history(view: View, rows: pl.DataFrame, usual: float | None) -> Block:
    from catchpot_fill.pictures import history_figure

    started = rows["started_at"].drop_nulls()
    first, last = started.min(), started.max()
    # The workshop's own events after the last shot say nothing about this mould yet; the mould's do.
    flags = [
        Flag(e["time"], words.words_of(e["kind"]) + (f" ({e['detail']})" if e["detail"] else ""))
        for e in view.tables["event"].sort("time").to_dicts()
        if e["time"] >= first and (e["time"] <= last or e["mould"])
    ]
    return history_figure(rows, flags, usual, view.declared, view.zone)


def _own_curve(view: View) -> list[Block]:
    from catchpot_fill.pictures import SHOWN_SHOTS, own_curve_figure

    own, injection = view.tables["own_curve"], view.tables["injection"]
    if own.is_empty() or injection.is_empty():
        return []
    return [own_curve_figure(own.row(-1, named=True), injection.tail(SHOWN_SHOTS))]


def _last_shots(rows: pl.DataFrame, *, hosed: bool) -> DataTable:
    import polars as pl

    took = "part and vent hose took (95 %) [l]" if hosed else "part took (95 %) [l]"
    shown = [
        {
            "shot": r["shot"],
            "start": r["started_at"],
            "injected [l]": words.number(r["injected_volume_l"], "l", 4, bare=True),
            "arrival (95 %) [l]": short(r),
            "against usual [%]": words.signed(100 * (r["arrival_relative"] - 1)) if r["arrival_relative"] else "",
            took: words.with_interval(*triple(r, "taken_volume", "l"), "l", bare=True),
            "fill time [s]": words.number(r["fill_time_s"]),
            "peak line pressure [bar]": words.number(r["peak_line_pressure_bar"]),
        }
        for r in rows.tail(LAST_SHOTS).reverse().iter_rows(named=True)
    ]
    return DataTable("last-shots", "The last shots, newest first", pl.DataFrame(shown, infer_schema_length=None))


def _stamp(when: Any) -> float | None:
    return when.timestamp() if when is not None else None


__all__ = ["FillSection"]
