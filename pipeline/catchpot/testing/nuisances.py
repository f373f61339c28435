"""What disturbs every shot of a made-up workshop, each with a switch."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Nuisances:
    """What disturbs every shot; each can be switched off by 0 or False. `Nuisances.off()` leaves straight fronts.

    lane_sd: s.d. of ln K between lanes, truncated at 1.2 s.d. (0.17: about +-20 %). areal_weight_sd, permeability_sd:
    relative, from shot to shot; fabric_batch_sd: of a batch's areal weight. gel_coat_sd_mm: thickness scatter.
    hoses, runner_error, gauge_ends, strokes, packing, cover, height, core: False leaves out what moulds have of it
    (runner_error False books the true runner). ambient_sd_mbar: weather. vacuum_sd_mbar: of both vacua, as the valves
    stand that day. mould_apart_k: s.d. between mould and resin.
    season_k: amplitude over the year; day_k: s.d. from day to day. batch_viscosity_sd: of a resin batch;
    batch_viscosity_known: share of batches measured into the mould book. capillary_mbar, capillary_sd_mbar.
    expansion_per_k: of the resin between meter and mould. ripple: of the pump. warming_k: s.d. of gas warming over
    45 s. outgas_mbar_l_s: fresh gel coat. sensor_noise: factor on every sensor's noise; quantise; drop_outs: chance of
    a burst of missing rows a shot; jitter: of the time stamps, share of the interval.
    """

    lane_sd: float = 0.17
    lanes: int = 8
    areal_weight_sd: float = 0.015
    permeability_sd: float = 0.05
    fabric_batch_sd: float = 0.01
    gel_coat_sd_mm: float = 0.03
    hoses: bool = True
    runner_error: bool = True
    gauge_ends: bool = True
    strokes: bool = True
    packing: bool = True
    cover: bool = True
    height: bool = True
    core: bool = True
    ambient_sd_mbar: float = 8.0
    vacuum_sd_mbar: float = 3.0
    temperature_c: float = 20.0
    mould_apart_k: float = 1.0
    season_k: float = 5.0
    day_k: float = 1.5
    batch_viscosity_sd: float = 0.08
    batch_viscosity_known: float = 0.0
    capillary_mbar: float = 10.0
    capillary_sd_mbar: float = 5.0
    expansion_per_k: float = 8e-4
    ripple: float = 0.02
    warming_k: float = 0.1
    outgas_mbar_l_s: float = 0.03
    sensor_noise: float = 1.0
    quantise: bool = True
    drop_outs: float = 0.05
    jitter: float = 0.05

    @staticmethod
    def off(sensor_noise: float = 1.0) -> Nuisances:
        """Straight fronts, known viscosity, steady weather; sensors still have their noise."""
        return Nuisances(
            lane_sd=0.0,
            lanes=1,
            areal_weight_sd=0.0,
            permeability_sd=0.0,
            fabric_batch_sd=0.0,
            gel_coat_sd_mm=0.0,
            hoses=False,
            runner_error=False,
            gauge_ends=False,
            strokes=False,
            packing=False,
            cover=False,
            height=False,
            core=False,
            ambient_sd_mbar=0.0,
            vacuum_sd_mbar=0.0,
            temperature_c=23.0,
            mould_apart_k=0.0,
            season_k=0.0,
            day_k=0.0,
            batch_viscosity_sd=0.0,
            batch_viscosity_known=0.0,
            capillary_mbar=0.0,
            capillary_sd_mbar=0.0,
            expansion_per_k=0.0,
            ripple=0.0,
            warming_k=0.0,
            outgas_mbar_l_s=0.0,
            sensor_noise=sensor_noise,
            quantise=sensor_noise > 0,
            drop_outs=0.0,
            jitter=0.0,
        )
