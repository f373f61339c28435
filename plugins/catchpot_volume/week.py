"""The week ahead: which moulds may run, what first, what they need, what the pots cost, which seals to order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

import polars as pl

from catchpot.answers import answers, event_words
from catchpot.causes import seal_told
from catchpot.report import words
from catchpot.shop_dates import written
from catchpot.workshop import MouldBook
from catchpot_volume import advice, go
from catchpot_volume.sheet import reasons, verdict

DAYS = 7
Row = dict[str, Any]
_NEED = {"no-go": 0, "care": 1, "go": 2}


@dataclass(frozen=True)
class Run:
    """A mould in the week. shots: planned. first: what is to be done before it runs, or empty."""

    mould: str
    go: str
    verdict: str
    shots: int
    first: str
    how: str
    volume_l: float | None


@dataclass(frozen=True)
class Need:
    """What a mould's planned shots take, flush and pot in it; masses are None where the book lacks the densities.

    by_last_setting: reckoned with the last setting, as no volume is given now.
    """

    mould: str
    resin: str
    shots: int
    mix_l: float
    flush_l: float
    pot_l: float
    mix_kg: float | None
    catalyst_l: float | None
    catalyst_kg: float | None
    by_last_setting: bool = False


@dataclass(frozen=True)
class Pot:
    """What went past the vent on a mould over the last week. weighed: shots whose pot was weighed."""

    mould: str
    shots: int
    weighed: int
    litres: float
    kg: float | None
    cost: float | None


@dataclass(frozen=True)
class Choice:
    """What setting for another chance would do: volume, waste a shot, short shots in a thousand, cost a shot."""

    chance: float
    volume_l: float
    waste_l: float
    short_in_1000: float
    cost: float | None


@dataclass(frozen=True)
class Order:
    """A seal to order. by: the last day for it; None where the book has no lead time."""

    mould: str
    seal: str
    due: date
    by: date | None
    stock: float | None
    says: str


@dataclass(frozen=True)
class Week:
    """All of it. plan_from: where the plan comes from, in words. choices: by mould. changes: since the last report."""

    as_of: datetime | None
    plan_from: str
    runs: list[Run]
    needs: list[Need]
    pots: list[Pot]
    choices: dict[str, list[Choice]]
    orders: list[Order]
    currency: str
    changes: list[str] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return asdict(self)


def last_week(shot: pl.DataFrame, fill: pl.DataFrame, as_of: datetime | None) -> dict[str, int]:
    """Shots of each mould in the last seven days of data."""
    if as_of is None:
        return {}
    made = shot.filter(pl.col("started_at") > as_of - timedelta(days=DAYS)).join(
        fill.select("shot"), on="shot", how="semi"
    )
    return {m: int(n) for m, n in made.group_by("mould").len().sort("mould").iter_rows() if m is not None}


def build(
    tables: Mapping[str, pl.DataFrame], book: MouldBook, zone: str, as_of: datetime | None, currency: str = "",
    plan: Mapping[str, int] | None = None, now: datetime | None = None,
) -> Week:  # fmt: skip
    """The week from stored tables.

    tables: next_shot, shot, fill, part, seal_life, seal_life_pooled, matter. plan: shots of each mould; as in the last
    week of data where None. now: what validity is judged at; as_of where None.
    """
    rows = [go.aged(r, now or as_of, zone) for r in tables["next_shot"].iter_rows(named=True)]
    shots = dict(plan) if plan is not None else last_week(tables["shot"], tables["fill"], as_of)
    said = "as planned" if plan is not None else "as in the last seven days of logs"
    runs = [_run(r, shots.get(r["mould"], 0)) for r in rows]
    runs.sort(key=lambda r: (_NEED[r.go], -r.shots, r.mould))
    by_mould = {r["mould"]: r for r in rows}
    given = _books(book, sorted({*by_mould, *shots, *tables["shot"]["mould"].drop_nulls().unique()}), as_of)
    needs = [_need(by_mould[m], n, book, given[m]) for m, n in sorted(shots.items()) if n and _given(by_mould.get(m))]
    pots = _pots(tables, given, as_of)
    choices = {r["mould"]: _choices(r, given[r["mould"]]) for r in rows if r["choice_volume_l"] is not None}
    return Week(as_of, said, runs, needs, pots, choices, _orders(tables, book, as_of), currency)


def _given(row: Row | None) -> bool:
    return row is not None and (row["volume_l"] or row["last_set_l"]) is not None


def _run(row: Row, shots: int) -> Run:
    first, how = next(iter(reasons(row)), ("", ""))
    return Run(row["mould"], row["go"], verdict(row), shots, first, how, row["volume_l"])


def _books(book: MouldBook, moulds: Sequence[str], as_of: datetime | None) -> dict[str, Row]:
    """What the book says of each mould now."""
    asked = pl.DataFrame(
        {"shot": list(moulds), "mould": list(moulds), "started_at": [as_of] * len(moulds),
         "resin_batch": [None] * len(moulds)},
        schema={"shot": pl.String(), "mould": pl.String(), "started_at": pl.Datetime("us", "UTC"),
                "resin_batch": pl.String()},
    )  # fmt: skip
    return {row["mould"]: row for row in book.for_shots(asked).iter_rows(named=True)}


def _need(row: Row, shots: int, book: MouldBook, given: Row) -> Need:
    entry = book.moulds.get(row["mould"])
    flush = shots * (given["flush_volume_l"] or 0.0)
    pot = shots * max(row["expected_overflow_l"] or 0.0, 0.0)
    volume = row["volume_l"] if row["volume_l"] is not None else row["last_set_l"]
    mix = shots * volume + flush
    catalyst_l, catalyst_kg = advice.catalyst(given, mix)
    density = given["density_kg_m3"]
    kg = mix * density * 1e-3 if density else None
    resin = (entry.resin if entry else None) or ""
    return Need(row["mould"], resin, shots, mix, flush, pot, kg, catalyst_l, catalyst_kg, row["volume_l"] is None)


def _pots(tables: Mapping[str, pl.DataFrame], given: Mapping[str, Row], as_of: datetime | None) -> list[Pot]:
    """What went past the vent in the last week: weighed where it was, else at most by the curve."""
    if as_of is None:
        return []
    shot = tables["shot"].filter(pl.col("started_at") > as_of - timedelta(days=DAYS)).select("shot", "mould")
    part = tables["part"]
    weighed = part.select("shot", "overflow_kg") if part.height else None
    frame = shot.join(tables["fill"].select("shot", "overflow_l"), on="shot", how="inner")
    if weighed is not None:
        frame = frame.join(weighed, on="shot", how="left")
    else:
        frame = frame.with_columns(overflow_kg=pl.lit(None, dtype=pl.Float64))
    made = []
    for mould in sorted(frame["mould"].drop_nulls().unique().to_list()):
        own = frame.filter(pl.col("mould") == mould)
        density = (given[mould]["density_kg_m3"] or 0.0) * 1e-3
        litres = 0.0
        for kg, at_most in own.select("overflow_kg", "overflow_l").iter_rows():
            litres += kg / density if kg is not None and density else max(at_most or 0.0, 0.0)
        mass = litres * density if density else None
        price = given[mould]["price_per_kg"]
        cost = mass * price if mass is not None and price else None
        made.append(Pot(mould, own.height, own["overflow_kg"].count(), litres, mass, cost))
    return made


def _choices(row: Row, given: Row) -> list[Choice]:
    kg_l, price = (given["density_kg_m3"] or 0.0) * 1e-3, given["price_per_kg"]
    made = []
    for chance, volume in zip(row["choice_chance"], row["choice_volume_l"], strict=True):
        waste = max(volume - row["arrival_volume_l"], 0.0)
        cost = waste * kg_l * price if kg_l and price else None
        made.append(Choice(chance, volume, waste, 1000 * (1 - chance), cost))
    return made


def _orders(tables: Mapping[str, pl.DataFrame], book: MouldBook, as_of: datetime | None) -> list[Order]:
    """Seals whose 80 % interval may end before a new one could be there, the most urgent first."""
    life = tables.get("seal_life")
    if life is None or life.is_empty() or as_of is None or "due_on" not in life.columns:
        return []
    last = life.sort("as_of").unique(["mould", "seal"], keep="last", maintain_order=True)
    newest = {(r["mould"], r["seal"]): r for r in last.iter_rows(named=True)}
    pooled = tables.get("seal_life_pooled")
    for r in pooled.iter_rows(named=True) if pooled is not None and pooled.height else ():
        own = newest.get((r["mould"], r["seal"]))
        if own is not None and own["as_of"] == r["as_of"] and r["due_on"] is not None:
            newest[r["mould"], r["seal"]] = r
    matter = tables.get("matter")
    made = []
    for (mould, seal), r in sorted(newest.items()):
        if r["due_on"] is None or mould not in book.moulds:
            continue
        if seal == "clamp":
            seal = seal_told(_open(matter, mould)) or seal
        entry = book.at(mould, as_of)
        first = r["due_low"] or r["due_on"]
        by = first - timedelta(days=entry.seal_lead_time_days) if entry.seal_lead_time_days is not None else None
        stock = {"outer": entry.outer_seals_in_stock, "inner": entry.inner_seals_in_stock}.get(seal)
        if seal == "clamp":
            both = [s for s in (entry.outer_seals_in_stock, entry.inner_seals_in_stock) if s is not None]
            stock = min(both) if both else None
        made.append(Order(mould, seal, r["due_on"], by, stock, _order_words(seal, r, by, stock, as_of)))
    return sorted(made, key=lambda o: o.by or o.due)


def _open(matter: pl.DataFrame | None, mould: str) -> list[str]:
    """Causes of a mould's open matters."""
    if matter is None or matter.is_empty():
        return []
    return matter.filter((pl.col("mould") == mould) & (pl.col("state") != "closed"))["cause"].to_list()


_SEALS = {"clamp": "outer or inner seal (the log can't tell which)", "outer": "outer seal", "inner": "inner seal"}


def _order_words(seal: str, row: Row, by: date | None, stock: float | None, as_of: datetime) -> str:
    first = row["due_low"] or row["due_on"]
    due = f"{_SEALS[seal]}, due about {written(row['due_on'])} (80 %: from {written(first)})"
    if row["due_on"] <= as_of.date():
        due = f"{_SEALS[seal]}, due now"
    if stock is not None and stock >= 1:
        return f"{due}: {words.number(stock, '', 2)} in stock, none to order"
    if by is None:
        return f"{due}: order by a day that the mould book's seal_lead_time_days would tell"
    if by <= as_of.date():
        return f"{due}: order now"
    return f"{due}: order by {written(by)}"


def changes(
    before: Mapping[str, Any] | None, week: Week, finding: pl.DataFrame, event: pl.DataFrame, shot: pl.DataFrame,
    zone: str,
) -> list[str]:  # fmt: skip
    """What is otherwise than in the report before: go and no-go, volumes, findings, and what was noted since.

    before: `state` as it was kept then; None where there was none.
    """
    if before is None:
        return ["This is the first report of a week; the next one says what changed since it."]
    made = []
    for mould, now in sorted(state(week, finding, event, shot)["moulds"].items()):
        old = before.get("moulds", {}).get(mould)
        if old is None:
            made.append(f"{mould} is new: {go.WORDS[now['go']]}.")
            continue
        if old["go"] != now["go"]:
            made.append(f"{mould}: {go.WORDS[old['go']]} became {go.WORDS[now['go']]}.")
        if old["volume_l"] and now["volume_l"] and abs(now["volume_l"] / old["volume_l"] - 1) > WORTH:
            step = words.signed(now["volume_l"] - old["volume_l"], "l", 3)
            made.append(f"{mould}: the volume to set moved by {step} to {words.number(now['volume_l'], 'l', 4)}.")
        new = sorted(set(now["open"]) - set(old["open"]))
        gone = sorted(set(old["open"]) - set(now["open"]))
        made += [f"{mould}: newly open: {words.listed([words.words_of(k) for k in new])}."] if new else []
        made += [f"{mould}: not open any more: {words.listed([words.words_of(k) for k in gone])}."] if gone else []
    since = datetime.fromisoformat(before["as_of"]) if before.get("as_of") else None
    for e in event.sort("time").iter_rows(named=True):
        if since is not None and e["time"] is not None and e["time"] > since:
            about = f"{e['mould']}: " if e["mould"] else ""
            made.append(f"{about}{event_words(e['kind'], e['detail'])}, {words.day(e['time'], zone)}.")
    return made or ["Nothing changed since the last report."]


WORTH = 0.005
"""A change of the volume to set that is worth a word, relative: half a per cent, as near as a volume is set."""


def state(week: Week, finding: pl.DataFrame, event: pl.DataFrame, shot: pl.DataFrame) -> dict[str, Any]:
    """What the next report compares with."""
    became = answers(finding, event, shot) if finding.height else {}
    newest = dict(shot.group_by("mould").agg(pl.col("started_at").max()).iter_rows())
    standing: dict[str, set[str]] = {}
    for f in finding.iter_rows(named=True):
        last = f["shot"] is None or (f["since"] is not None and f["since"] >= (newest.get(f["mould"]) or f["since"]))
        if f["until"] is None and f["severity"] in ("act", "watch") and last and became[f["anchor"]].state == "open":
            standing.setdefault(f["mould"], set()).add(f["kind"])
    return {
        "as_of": week.as_of.isoformat() if week.as_of else None,
        "moulds": {
            r.mould: {"go": r.go, "volume_l": r.volume_l, "open": sorted(standing.get(r.mould, set()))}
            for r in week.runs
        },
    }


def read_plan(texts: Sequence[str], moulds: Sequence[str]) -> dict[str, int]:
    """A plan from `mould=shots` words; ValueError with a sentence for what can't be meant.

    >>> read_plan(["hatch-3=6", "tub-2=8"], ["hatch-3", "tub-2"])
    {'hatch-3': 6, 'tub-2': 8}
    """
    from catchpot.workshop.problems import did_you_mean

    plan: dict[str, int] = {}
    for text in texts:
        mould, equals, shots = text.rpartition("=")
        if not equals or not shots.strip().isdigit():
            raise ValueError(f"expected MOULD=SHOTS such as hatch-3=6, found {text!r}")
        if mould.strip() not in moulds:
            raise ValueError(f"no mould {mould.strip()!r} in the mould book{did_you_mean(mould.strip(), moulds)}")
        plan[mould.strip()] = plan.get(mould.strip(), 0) + int(shots)
    return plan
