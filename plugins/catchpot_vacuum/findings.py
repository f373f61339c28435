"""Findings about leaks, in sentences: against the limits, against the mould's own past, and a seal nobody logged."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.report import words
from catchpot_vacuum.own_past import OutOfLine, sudden
from catchpot_vacuum.series import Seal, when
from catchpot_vacuum.split import Pooled
from catchpot_vacuum.words_of_seals import leak as leak_words

if TYPE_CHECKING:
    from catchpot.workshop import MouldBook

Floats = NDArray[np.float64]
Row = dict[str, Any]
_RESIN_MBAR_BAR: Final = 2.0
ADVICE: Final = {
    "outer_seal_leak": "Look over the outer seal, its corners and the clamp line's fittings before the next shot.",
    "inner_seal_leak": "Look over the inner seal and its seat for nicks and cured resin before the next shot.",
    "cavity_leak": "Look over the vent, the catch pot's lid, the injection port and their fittings.",
    "either": "Look over the outer seal and the clamp line's fittings first, then the inner seal.",
}
CAUSE_OF: Final = {"outer_seal_leak": "outer_seal", "inner_seal_leak": "inner_seal", "cavity_leak": "cavity_fittings"}
PROBABLE: Final = 0.5
"""Chance of being beyond the limit from which it is said, as `watch`."""
CERTAIN: Final = 0.95
"""Chance from which it is `act`."""
WIDTH: Final = 2 * 1.96
"""A 95 % interval's width in standard deviations."""
_USUAL_HOLD_S: Final = 45.0


def what_would_tell(split: Pooled, *, gauge: bool = True) -> str:
    """Which hold check would tell outer from inner seal, and how long it takes; gauge: clamp pressure is logged."""
    first = "" if gauge else "the clamp pressure in the log first, and then "
    return f"outer and inner seal can't be told apart: it takes {first}a hold check in two steps, {_two_steps(split)}"


def third_hold(needed_s: float | None) -> str:
    """Which further hold narrows what two leave open, and how long it takes."""
    each = _hold_s(needed_s)
    minutes = np.ceil((each + 60.0) / 60.0)
    return (
        f"a third hold of {each:.0f} s (about {minutes:.0f} minutes with the evacuation) with the cavity "
        "evacuated as deep as the clamp channel would narrow it, since then nothing passes the inner seal"
    )


def _hold_s(needed_s: float | None) -> float:
    needed = needed_s if needed_s is not None and np.isfinite(needed_s) else _USUAL_HOLD_S
    return max(20.0, float(np.ceil(needed / 5.0) * 5.0))


def _two_steps(split: Pooled) -> str:
    each = _hold_s(split.needed_hold_s)
    known = np.isfinite(split.needed_hold_s)
    usual = "" if known else " (a usual length: the mould book has no clamp_volume_l to work it out from)"
    return (
        f"both vacuum lines shut for {each:.0f} s with the cavity at ambient and again for {each:.0f} s with the "
        f"cavity evacuated{usual}, about {(2.0 * each + 60.0) / 60.0:.0f} minutes with the evacuation between, before "
        "resin is mixed"
    )


def of_mould(
    analysis: str,
    mould: str,
    book: MouldBook,
    tables: Mapping[str, pl.DataFrame],
    found: Sequence[Seal],
    split: Pooled,
    zone: str,
) -> list[Row]:
    """All findings of one mould, one a shot and kind, and one for each replacement that seems not to be logged."""
    leak = tables["seal_leak"].filter(pl.col("started_at").is_not_null())
    rows: dict[tuple[str, str], Row] = {}

    def add(
        shot: Row, kind: str, severity: str, message: str, advice: str, rank: int = 1, chance: float | None = None
    ) -> None:  # fmt: skip
        key = (shot["shot"], kind)
        if key not in rows or (severity == "act" and rows[key]["severity"] != "act"):
            rows[key] = {
                "shot": shot["shot"], "mould": mould, "kind": kind, "severity": severity, "since": shot["started_at"],
                "message": message, "advice": advice, "analysis": analysis,
                "anchor": f"{analysis}-{kind}-{shot['shot']}", "rank": rank,
                "about": f"leak_mbar_l_s[{kind.split('_')[0]}]",
                "cause": CAUSE_OF[kind], "chance": chance,
            }  # fmt: skip

    limits = _limits(leak, book)
    for seal, kind in (("outer", "outer_seal_leak"), ("inner", "inner_seal_leak")):
        for shot, limit in _of(leak, limits, seal):
            if limit is not None and shot["leak_low_mbar_l_s"] is not None and shot["leak_low_mbar_l_s"] > limit:
                add(shot, kind, "act", _over(mould, seal, shot, limit), ADVICE[kind], chance=beyond(shot, limit))
        _together(add, mould, seal, kind, _of(leak, limits, seal), split)
    clamp = _of(leak, limits, "clamp")
    cavity = _of(leak, limits, "cavity")
    grown = _grown(leak)
    held_twice = set(leak.filter(pl.col("seal") == "inner")["shot"])
    inner_drop = _cavity_drops(tables["seal_hold"])
    past = _past([s for s, _ in clamp], [s for s in found if s.seal == "clamp"], factor=1.6)
    for i, (shot, limit) in enumerate(clamp):
        apart = {k for (name, k) in rows if name == shot["shot"]}
        chance = beyond(shot, limit)
        over = limit is not None and (shot["leak_low_mbar_l_s"] or 0.0) > limit
        probable = not over and chance is not None and chance >= PROBABLE
        if not over and not probable and not past.flagged[i]:
            continue
        drop, one = inner_drop.get(shot["shot"], 0.0), grown.get(shot["shot"])
        kind, told = (f"{one}_seal_leak", True) if one and not apart else _which(shot, apart, drop, split, limit)
        two_held = shot["shot"] in held_twice
        further = (
            f"Two holds were made: {third_hold(split.needed_hold_s)}."
            if two_held
            else f"To tell which: {_two_steps(split)}."
        )
        advice = ADVICE[kind] if told else f"{ADVICE['either']} {further}"
        if over and limit is not None:
            said = _over(mould, "clamp", shot, limit) + ("" if told else _UNTOLD)
            add(shot, kind, "act", said, advice, chance=chance)
        elif probable and limit is not None and chance is not None:
            said = _probably(mould, "clamp", shot, limit, chance) + ("" if told else _UNTOLD)
            add(shot, kind, "watch", said, advice, chance=chance)
        elif past.flagged[i]:
            since = clamp[int(past.began[i])][0]["started_at"]
            said = _jump(mould, "clamp channel", shot, past, i, since, zone)
            add(shot, kind, "watch", said + ("" if told else _UNTOLD), advice)
    steady = _past([s for s, _ in cavity], [], factor=None)
    for i, (shot, _) in enumerate(cavity):
        if steady.flagged[i]:
            since = cavity[int(steady.began[i])][0]["started_at"]
            add(
                shot,
                "cavity_leak",
                "watch",
                _jump(mould, "cavity", shot, steady, i, since, zone),
                ADVICE["cavity_leak"],
            )
    for shot in _resin(tables["seal_resin"]):
        add(shot, "inner_seal_leak", "watch", f"{mould}: {_resin_says(shot)}",
            "Look for resin in the clamp channel and over the inner seal before the next shot.")  # fmt: skip
    return [*rows.values(), *_unlogged(analysis, mould, found, zone)]


_UNTOLD: Final = " Whether it is the outer or the inner seal can't be told from this log."


def _of(leak: pl.DataFrame, limits: Mapping[str, Floats], seal: str) -> list[tuple[Row, float | None]]:
    rows = leak.with_row_index("_row").filter(pl.col("seal") == seal).sort("started_at", "shot")
    out = []
    for r in rows.iter_rows(named=True):
        limit = float(limits[seal][r["_row"]]) if seal in limits else float("nan")
        out.append((r, limit if np.isfinite(limit) else None))
    return out


def _limits(leak: pl.DataFrame, book: MouldBook) -> dict[str, Floats]:
    shots = leak.select("shot", "mould", "started_at", pl.lit(None, dtype=pl.String).alias("resin_batch"))
    values = book.for_shots(shots)
    return {
        seal: np.asarray(values[f"{seal}_leak_limit_mbar_l_s"].cast(pl.Float64).fill_null(np.nan).to_numpy(), float)
        for seal in ("clamp", "outer", "inner")
    }


def _past(shots: Sequence[Row], seals: Sequence[Seal], *, factor: float | None) -> OutOfLine:
    value = np.array([s["rise_mbar_min"] for s in shots], dtype=float)
    width = np.array([s["rise_high_mbar_min"] - s["rise_low_mbar_min"] for s in shots], dtype=float)
    starts = np.array([s.known_from for s in seals if np.isfinite(s.since)], dtype=float)
    at = np.array([s["started_at"].timestamp() for s in shots], dtype=float)
    number = np.searchsorted(np.sort(starts), at, side="right")
    return sudden(value, np.maximum(width / 3.92, 1e-6), number.astype(np.int64), factor=factor)


def _cavity_drops(hold: pl.DataFrame) -> dict[str, float]:
    """How many s.d. the cavity's own rise fell below its usual: gas that an inner leak takes out of the cavity."""
    rows = hold.filter(
        pl.col("cavity_rate_mbar_s").is_not_null() & (pl.col("cavity_mbar") < pl.col("ambient_mbar") - 200)
    )
    rate = rows["cavity_rate_mbar_s"].to_numpy().astype(float)
    sd = (rows["cavity_rate_high_mbar_s"] - rows["cavity_rate_low_mbar_s"]).to_numpy().astype(float) / 3.92
    out: dict[str, float] = {}
    for i, shot in enumerate(rows["shot"].to_list()):
        before = rate[max(0, i - 12) : i]
        if len(before) >= 4:
            spread = float(1.4826 * np.median(np.abs(before - np.median(before))))
            out[shot] = float((np.median(before) - rate[i]) / max(np.hypot(spread, 0.5 * sd[i]), 1e-9))
    return out


def _grown(leak: pl.DataFrame) -> dict[str, str]:
    """Shots held in two steps in which one seal leaks beyond doubt more than in the eight before, and the other not."""
    wide = leak.filter(pl.col("seal").is_in(["outer", "inner"])).pivot(
        "seal", index=["started_at", "shot"], values=["rise_low_mbar_min", "rise_high_mbar_min"]
    )
    if not {"rise_low_mbar_min_outer", "rise_low_mbar_min_inner"} <= set(wide.columns):
        return {}
    wide = wide.sort("started_at", "shot")
    names = wide["shot"].to_list()
    low, high = (
        {seal: wide[f"rise_{end}_mbar_min_{seal}"].to_numpy().astype(float) for seal in ("outer", "inner")}
        for end in ("low", "high")
    )
    out: dict[str, str] = {}
    for i in range(4, len(names)):
        more = [s for s in low if low[s][i] > 1.3 * float(np.nanmedian(high[s][max(0, i - 8) : i]))]
        if len(more) == 1:
            out[names[i]] = more[0]
    return out


def _which(shot: Row, apart: set[str], drop: float, split: Pooled, limit: float | None) -> tuple[str, bool]:
    """Kind of a clamp channel's finding, and whether the log tells it."""
    if "inner_seal_leak" in apart and "outer_seal_leak" not in apart:
        return "inner_seal_leak", True
    if "outer_seal_leak" in apart:
        return "outer_seal_leak", True
    if drop > 3.5:
        return "inner_seal_leak", True
    if split.inner is not None and limit is not None and split.inner[1] > 0.5 * limit:
        return "inner_seal_leak", True
    return "outer_seal_leak", False


_NAMES: Final = {
    "clamp": "the clamp channel (outer and inner seal together)", "outer": "the outer seal", "inner": "the inner seal",
}  # fmt: skip


def _over(mould: str, seal: str, shot: Row, limit: float) -> str:
    return (
        f"{mould}: {_NAMES[seal]} leaks {leak_words(shot)}, more than its limit of {words.number(limit, 'mbar l/s')}."
    )


def _together(
    add: Callable[..., None], mould: str, seal: str, kind: str, shots: Sequence[tuple[Row, float | None]], split: Pooled
) -> None:  # fmt: skip
    """What the last holds together say of one seal, said at the newest of them: likelier than not is an answer."""
    pooled = split.outer if seal == "outer" else split.inner
    if pooled is None or not shots:
        return
    shot, limit = shots[-1]
    row = {**shot, **dict(zip(("leak_mbar_l_s", "leak_low_mbar_l_s", "leak_high_mbar_l_s"), pooled, strict=True))}
    if limit is None or not pooled[2] > pooled[1]:
        return
    # The interval spans the leak laws that may hold; a point value would take one of them for granted.
    from scipy.special import ndtr

    chance = float(ndtr(((pooled[1] + pooled[2]) / 2 - limit) * WIDTH / (pooled[2] - pooled[1])))
    if chance < PROBABLE:
        return
    severity = "act" if chance >= CERTAIN else "watch"
    settle = "" if chance >= CERTAIN else f" To settle it: {third_hold(split.needed_hold_s)}."
    said = f"{_probably(mould, seal, row, limit, chance)} So say the last {words.count(split.shots, 'hold')} together."
    add(shot, kind, severity, said, ADVICE[kind] + settle, chance=chance)


def _probably(mould: str, seal: str, shot: Row, limit: float, chance: float) -> str:
    return (
        f"{mould}: {_NAMES[seal]} leaks {leak_words(shot)}; that is more than its limit of"
        f" {words.number(limit, 'mbar l/s')} with a chance of {100 * chance:.0f} %."
    )


def beyond(shot: Row, limit: float | None) -> float | None:
    """Chance that a leak is beyond its limit, from its value and its 95 % interval; None where either is not known.

    The logarithm is taken as normal where the interval lies above nought, else the leak itself.

    >>> row = {"leak_mbar_l_s": 0.07, "leak_low_mbar_l_s": 0.003, "leak_high_mbar_l_s": 0.15}
    >>> round(beyond(row, 0.05), 2), beyond(row, None)
    (0.63, None)
    """
    value, low, high = (shot[f"leak_{k}mbar_l_s"] for k in ("", "low_", "high_"))
    if limit is None or value is None or low is None or high is None or not high > low:
        return None
    from scipy.special import ndtr

    if low > 0 and value > 0:
        sd = np.log(high / low) / WIDTH
        return float(ndtr((np.log(value) - np.log(max(limit, 1e-9))) / sd))
    return float(ndtr((value - limit) / ((high - low) / WIDTH)))


def _jump(mould: str, what: str, shot: Row, past: OutOfLine, i: int, since: Any, zone: str) -> str:
    scale = 1.0
    unit = "mbar/min"
    if shot["leak_mbar_l_s"] is not None and shot["rise_mbar_min"]:
        scale, unit = shot["leak_mbar_l_s"] / shot["rise_mbar_min"], "mbar l/s"
    begun = "suddenly" if since == shot["started_at"] else f"since {words.minute(since, zone)}"
    return (
        f"{mould}: the {what} leaks {leak_words(shot)}, {begun}; usual since the seal went in was "
        f"{words.number(max(past.usual[i], 0.0) * scale, unit, 2)}. A nicked seal or an open fitting does this."
    )


def _resin(resin: pl.DataFrame) -> list[Row]:
    """Shots of which this and the one before show it: one alone is not enough."""
    rows = resin.filter(pl.col("started_at").is_not_null()).sort("started_at", "shot").to_dicts()
    shows = [_rises_faster(r) or (r["clamp_per_line_low_mbar_bar"] or 0.0) > _RESIN_MBAR_BAR for r in rows]
    return [r for i, r in enumerate(rows) if i and shows[i] and shows[i - 1]]


def _rises_faster(row: Row) -> bool:
    """Whether the clamp channel rises faster during the injection, by a tenth at least beyond doubt."""
    more, before = row["rise_more_low_mbar_s"], row["rise_before_mbar_s"]
    return more is not None and more > max(0.1 * before, 0.003)


def _resin_says(shot: Row) -> str:
    if _rises_faster(shot):
        before, during, low, high = (
            60.0 * shot[f"rise_{name}_mbar_s"] for name in ("before", "during", "more_low", "more_high")
        )
        more = words.with_interval(during - before, low, high, "mbar/min", "99.9 %")
        return (
            f"the clamp channel rises by {words.number(during, 'mbar/min', 2)} while resin is injected and by "
            f"{words.number(before, digits=2)} before, {more} more, though a wetted seal lets less gas by: resin may "
            "be passing the inner seal (or the line pressure eases the outer seal)."
        )
    low, high = shot["clamp_per_line_low_mbar_bar"], shot["clamp_per_line_high_mbar_bar"]
    follows = words.with_interval(shot["clamp_per_line_mbar_bar"], low, high, "mbar per bar", "99.9 %")
    return (
        f"the clamp pressure follows the line pressure during injection, by {follows}: resin may be passing the inner "
        "seal."
    )


def _unlogged(analysis: str, mould: str, found: Sequence[Seal], zone: str) -> list[Row]:
    out: list[Row] = []
    for seal in found:
        if not seal.assumed or seal.seal != "clamp":
            continue
        before = [s for s in found if s.seal == seal.seal and s.until == seal.since]
        old = before[0].leak[before[0].at < seal.since][-5:] if before else np.zeros(0)
        was = words.number(float(np.median(old)), "mbar l/s", 2) if len(old) else "more"
        day = words.minute(when(seal.since), zone)
        out.append(
            {
                "shot": None, "mould": mould, "kind": "seal_replacement_unlogged", "severity": "note",
                "since": when(seal.since), "analysis": analysis,
                "message": f"{mould}: the leak of {_NAMES[seal.seal]} fell from {was} to "
                f"{words.number(float(np.median(seal.leak[:3])), 'mbar l/s', 2)} on {day} and stayed there, and no "
                "replacement is logged. Was the seal replaced? The forecast assumes so.",
                "advice": "If it was, add it to events.csv (seal_replaced, with outer, inner or both); if it was only "
                "set right, add seal_reseated.",
                "anchor": f"{analysis}-seal_replacement_unlogged-{mould}-{when(seal.since):%Y%m%dT%H%M}", "rank": 1,
            }
        )  # fmt: skip
    return out
