"""Profiled logs into canonical units: gauge, absolute and vacuum settled, mass flows by density, counts into flow."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from catchpot.channels import BY_NAME
from catchpot.ingest.reader import LogRefused, Remark, ShotMeta
from catchpot.units import Conversion, UnitError, conversion

if TYPE_CHECKING:
    from catchpot.workshop import Profile, Workshop
    from catchpot.workshop.profile import ChannelSource


def to_canonical(
    frame: pl.DataFrame,
    profile: Profile,
    workshop: Workshop,
    metas: list[ShotMeta],
    refused: dict[int, LogRefused],
) -> pl.DataFrame:
    """Canonical units; gauge, absolute and vacuum settled with the logged ambient pressure, else the workshop's."""
    number = frame["file_no"]
    words = [float(w.replace(",", ".")) for w in profile.missing if _is_number(w)]
    done: dict[str, pl.Expr] = {}
    ambient: pl.Expr = pl.lit(workshop.settings.workshop.ambient_pressure_mbar)
    logged = profile.channels.get("ambient_pressure_mbar")
    order = sorted(profile.channels, key=lambda n: n != "ambient_pressure_mbar")
    needs_ambient = False
    for name in order:
        source, channel = profile.channels[name], BY_NAME[name]
        column = pl.col(name)
        if words:
            column = pl.when(column.is_in(words)).then(None).otherwise(column)
        if channel.unit in ("0/1", "strokes"):
            done[name] = column
            continue
        cumulative = source.counts == "volume_so_far"
        try:
            c = _conversion(name, source, cumulative, source.density_kg_m3)
            scale: pl.Expr = pl.lit(c.scale)
        except UnitError as e:
            if e.about != "density":
                raise
            c = _conversion(name, source, cumulative, 1.0)
            per_file = _densities(name, profile, workshop, metas, refused)
            scale = pl.lit(c.scale) / pl.lit(pl.Series(per_file)[number.cast(pl.Int64)])
        value = column * source.factor * scale + c.shift + source.offset
        if c.ambient:
            unit = 0.001 if channel.unit == "bar" else 1.0
            value = value + c.ambient * unit * ambient
            needs_ambient = True
        done[name] = value
        if name == "ambient_pressure_mbar":
            ambient = (
                value.fill_null(strategy="forward")
                .over("file_no")
                .fill_null(workshop.settings.workshop.ambient_pressure_mbar)
            )
    if needs_ambient and logged is None:
        used = workshop.settings.workshop.ambient_pressure_mbar
        for meta in metas:
            detail = (
                f"pressures measured against ambient were settled with {used:g} mbar, the workshop's ambient pressure"
            )
            meta.remarks.append(Remark("ambient_used", detail))
    frame = frame.with_columns(**done)
    flow = profile.channels.get("flow_l_min")
    if flow is not None and flow.counts == "volume_so_far":
        frame = _flow_from_volume(frame)
        for meta in metas:
            meta.remarks.append(Remark("counted_volume", "volume is the log's own count so far", "flow_l_min"))
    return frame


def _is_number(word: str) -> bool:
    try:
        float(word.replace(",", "."))
    except ValueError:
        return False
    return True


def _conversion(name: str, source: ChannelSource, cumulative: bool, density: float | None) -> Conversion:
    channel = BY_NAME[name]
    return conversion(
        source.unit or channel.unit,
        "l" if cumulative else channel.unit,
        reference=source.reference or ("absolute" if name == "ambient_pressure_mbar" else None),
        to_reference=channel.reference,
        density_kg_m3=density,
        what=name,
    )


def _densities(
    name: str, profile: Profile, workshop: Workshop, metas: list[ShotMeta], refused: dict[int, LogRefused]
) -> list[float]:
    """Density of what flowed, for each file, from the mould's resin."""
    found = []
    for i, meta in enumerate(metas):
        resin = workshop.book.resin_of(meta.mould) if meta.mould in workshop.book.moulds else None
        key = "catalyst_density_kg_m3" if name == "catalyst_flow_ml_min" else "density_kg_m3"
        density = getattr(resin, key) if resin else None
        if density is None:
            refused.setdefault(
                i,
                LogRefused(
                    f"{name} is a mass flow: give density_kg_m3 in the profile, or {key} of the resin of the mould"
                    f" {meta.mould!r} in moulds.toml"
                ),
            )
        found.append(float(density or 1.0))
    return found


def _flow_from_volume(frame: pl.DataFrame) -> pl.DataFrame:
    """A volume counted so far becomes a flow; a count that falls has been reset and goes on from there."""
    step = pl.col("flow_l_min").diff().over("file_no")
    step = pl.when(step < 0).then(pl.col("flow_l_min")).otherwise(step).fill_null(0.0)
    seconds = pl.col("us").diff().over("file_no") / 1e6
    volume = step.cum_sum().over("file_no")
    rate = pl.when(seconds > 0).then(step / seconds * 60.0).otherwise(0.0)
    return frame.with_columns(given_vol_l=volume, flow_l_min=rate)
