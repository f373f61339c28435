"""The volume section's figures: causes between two volumes, witnesses over time, earlier advice against what came."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl

from catchpot.report import figures, words
from catchpot.report.figures import Flag, Level, Part, Strip
from catchpot.report.section import DataTable, Figure
from catchpot_volume.answer import likely, litres, said, worth_measuring


def bars(change: dict[str, Any], causes: pl.DataFrame, zone: str) -> Figure:
    """Old and new arrival volume on one litre axis with the causes between them."""
    split = causes.filter(pl.col("cause") != "overflow").sort("rank")
    parts = [
        Part(said(r["cause"], r["change_l"]), r["change_l"], r["change_low_l"], r["change_high_l"])
        for r in split.iter_rows(named=True)
    ]
    before = (f"before {words.day(change['since'], zone)}", change["arrival_before_l"])
    after = (f"since {words.day(change['since'], zone)}", change["arrival_after_l"])
    figure = figures.cause_bars(parts, before, after, heading="arrival volume [l]")
    summary = (
        f"{words.number(change['arrival_before_l'], 'l', 4)} to {words.number(change['arrival_after_l'], 'l', 4)}; "
        + words.listed([f"{p.name} {litres(p.change, p.low or 0.0, p.high or 0.0)}" for p in parts])
        + "."
    )
    return Figure("volume-causes", "From the old volume to the new", figure, summary, _cause_table(causes),
                  figures.bars_height(len(parts) + 2))  # fmt: skip


def _cause_table(causes: pl.DataFrame) -> pl.DataFrame:
    rows = [
        {
            "cause": said(r["cause"], r["change_l"]),
            "change [l]": words.signed(r["change_l"], "l", 3, bare=True),
            "95 % [l]": f"{words.signed(r['change_low_l'], 'l', 3, bare=True)} to "
            f"{words.signed(r['change_high_l'], 'l', 3, bare=True)}",
            "chance that it changed": likely(r["chance"]) if r["chance"] is not None else "measured",
        }
        for r in causes.sort("rank").iter_rows(named=True)
    ]
    return pl.DataFrame(rows)


def measurements(causes: pl.DataFrame) -> DataTable | None:
    """What to measure, most litres settled a minute first; None where nothing is."""
    worth = worth_measuring(causes)
    if worth.is_empty():
        return None
    rows = [
        {
            "measurement": r["measure_next"],
            "settles": said(r["cause"], r["change_l"]),
            "in doubt": words.number(r["in_doubt_l"], "l", 2),
            "working time": f"about {r['minutes']:.0f} min",
            "settled a minute": words.number(r["in_doubt_l"] / r["minutes"], "l", 2),
        }
        for r in worth.iter_rows(named=True)
    ]
    return DataTable("volume-measure", "What to measure next, most settled a minute first", pl.DataFrame(rows))


FIRST_SHOTS = 10
"""Shots whose median counts as usual, for "% of usual" beside the unit."""


def witness_history(shots: pl.DataFrame, change: dict[str, Any], flags: Sequence[Flag], zone: str) -> Figure:
    """The witnesses as stacked strips over time, with the events on them.

    shots: one row a shot in time order with started_at, shot and the witnesses' columns.
    """
    wanted = [
        ("arrival_volume_l", "arrival volume [l]"), ("injected_volume_l", "injected volume [l]"),
        ("permeability_m2", "permeability [{}m²]"), ("line_resistance_per_m3", "line resistance [{}1/m³]"),
        ("clamp_pressure_mbar", "clamp pressure, absolute [mbar]"),
        ("cavity_pressure_mbar", "cavity pressure, absolute [mbar]"), ("part_mass_kg", "part mass [kg]"),
        ("fabric_mass_kg", "fabric pack [kg]"), ("mould_temp_c", "mould temperature [°C]"),
    ]  # fmt: skip
    strips = []
    shown = []
    for name, heading in wanted:
        if name not in shots.columns or shots[name].drop_nulls().len() < 5:
            continue
        values = shots[name]
        usual = None
        if "{}" in heading:  # very small or large: its power of ten beside the unit, and per cent of what was usual
            exponent = words.tenfold(values)
            values = values / 10.0**exponent
            heading = heading.format(f"{words.power(exponent)} " if exponent else "")
            usual = values.drop_nulls().head(FIRST_SHOTS).median()
        levels: tuple[Level, ...] = ()
        if name == "arrival_volume_l":
            levels = (
                Level(change["against_from"], change["against_until"], change["arrival_before_l"], "before"),
                Level(change["since"], change["until"], change["arrival_after_l"], "now"),
            )
        interval = name == "arrival_volume_l"
        strips.append(Strip(
            heading, shots["started_at"], values,
            shots["arrival_volume_low_l"] if interval else None, shots["arrival_volume_high_l"] if interval else None,
            names=shots["shot"].to_list(), levels=levels, usual=float(usual) if isinstance(usual, float) else None,
        ))  # fmt: skip
        shown.append(heading.split(" [")[0])
    key = figures.flag_key(flags, zone)
    summary = f"{words.listed(shown)} over time, {words.count(shots.height, 'shot')}." + (
        f" Events: {key}." if key else ""
    )
    return Figure("volume-witnesses", "The witnesses side by side", figures.history(strips, flags, zone=zone), summary,
                  None, figures.history_height(len(strips), bool(flags)))  # fmt: skip


def checked(check: pl.DataFrame, last: int = 12) -> list[DataTable]:
    """Was it right? How earlier advice would have done, and the last shots one by one."""
    tables = []
    rows = []
    for label, part in (("all later shots", check), (f"the last {min(20, check.height)}", check.tail(20))):
        filled = int(part["would_fill"].sum())
        rows.append({
            "shots": label,
            "n": part.height,
            "said to fill": f"{100 * _mean(part['fill_chance']):.1f} %",
            "would have filled": f"{filled} ({100 * filled / part.height:.1f} %)",
            "overflow, mean": words.number(_mean(part["would_overflow_l"]), "l", 2),
            "in the 95 % interval": f"{100 * _inside(part):.0f} %",
        })  # fmt: skip
    tables.append(DataTable(
        "volume-right", "Was it right?", pl.DataFrame(rows),
        note="Each shot whose catch pot was weighed, against what would have been said before it, from the shots before"
        " it only; the volume to set is compared with what the part took (injected less the pot), a little more than"
        " the arrival volume where corners fill late.",
    ))  # fmt: skip
    shown = [
        {
            "shot": r["shot"],
            "would have been set [l]": words.number(r["volume_l"], "l", 4, bare=True),
            "arrival, said (95 %) [l]": f"{words.number(r['arrival_volume_low_l'], 'l', 4, bare=True)} to "
            f"{words.number(r['arrival_volume_high_l'], 'l', 4, bare=True)}",
            "the part took, by its pot [l]": words.number(r["observed_arrival_l"], "l", 4, bare=True),
            "filled": "yes" if r["would_fill"] else "no",
            "overflow [l]": words.signed(r["would_overflow_l"], "l", 3, bare=True),
        }
        for r in check.tail(last).reverse().iter_rows(named=True)
    ]
    tables.append(
        DataTable("volume-right-shots", "The last shots against what would have been set", pl.DataFrame(shown))
    )
    return tables


def _mean(column: pl.Series) -> float:
    value = column.mean()
    return float(value) if isinstance(value, int | float) else float("nan")


def _inside(part: pl.DataFrame) -> float:
    held = part.select(
        ((pl.col("arrival_volume_low_l") <= pl.col("observed_arrival_l"))
         & (pl.col("observed_arrival_l") <= pl.col("arrival_volume_high_l"))).mean()
    )  # fmt: skip
    return float(held.item())
