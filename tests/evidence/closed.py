"""Closed forms: knife edge, two rays, Fresnel radius, beam spread, rain; and the packages that know them too."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from geotools.beam import (
    HEAD_TYPES,
    Beam,
    HeadType,
    fresnel_radius,
    knife_edge_loss_db,
    knife_edge_nu,
    solve_beam,
    solve_beams,
    specific_attenuation_db_per_km,
    two_ray_level_db,
)
from geotools.beam.antenna import waist
from geotools.beam.closed_form import beam_radius, knife_edge_loss_approx_db
from geotools.beam.grid import choose_grid
from geotools.beam.sweep import sweeps
from tests.evidence.grounds import LENGTH, X
from tests.evidence.page import Section

FREQUENCIES = {"10 GHz": 10.525e9, "24 GHz": 24.125e9}


def knife_edge(folder: Path) -> Section:
    section = Section("Knife edge")
    section.say(
        "A half screen is raised into the solved field of two heads 20 m above ground (so that nothing comes back from "
        "it), at mid-span and at 30 m of 100 m, and the loss is held against the Fresnel integrals."
    )
    nu = np.linspace(-1.0, 2.0, 61)
    figure = Figure(figsize=(7, 3.6))
    axes = figure.subplots()
    axes.plot(nu, knife_edge_loss_db(nu), "k-", lw=2, label="Fresnel integrals (ITU-R P.526)")
    axes.plot(nu[nu > -0.78], knife_edge_loss_approx_db(nu[nu > -0.78]), "k:", label="approximation of P.526")
    worst = 0.0
    rows = []
    for name, frequency in FREQUENCIES.items():
        wide = HeadType("wide", frequency, 12.0, 12.0, 500.0)
        field = solve_beam(wide, X, 0 * X, 20.0, 20.0, step_m=5.0, dz_m=0.004 if frequency > 2e10 else 0.008)
        free = 10 ** (field.standing_level_db / 20.0)
        for d1 in (50.0, 30.0):
            height = nu / knife_edge_nu(wide.wavelength_m, 1.0, d1, LENGTH - d1)
            below = field.share_below(np.tile(20.0 + height, (X.size, 1)))[round(d1 * 2)]
            loss = -20.0 * np.log10(np.abs(1.0 - below) * free)
            apart = np.abs(loss - knife_edge_loss_db(nu))
            worst = max(worst, float(apart.max()))
            rows.append([name, f"{d1:g} m", f"{apart.max():.3f}", f"{nu[int(apart.argmax())]:.2f}"])
            axes.plot(nu[::4], loss[::4], "o", ms=4, label=f"solver, {name}, edge at {d1:g} m")
    axes.set(xlabel="nu", ylabel="loss, dB", title="Single knife edge")
    axes.invert_yaxis()
    axes.legend(fontsize=7)
    section.table(["band", "edge at", "largest difference, dB", "at nu"], rows)
    section.picture(folder, "knife_edge.png", figure, "Loss of a knife edge: solver against closed form")
    section.check("solver, nu from -1 to 2", worst, 0.5, "dB", "ITU-R P.526, exact Fresnel integrals (scipy.special)")
    apart = np.abs(knife_edge_loss_db(nu[nu > -0.78]) - knife_edge_loss_approx_db(nu[nu > -0.78]))
    section.check("closed form against the approximation", apart.max(), 0.15, "dB", "ITU-R P.526")
    section.check("closed form through Bullington's construction", _against_pycraf(), 0.05, "dB", "pycraf, ITU-R P.452")
    return section


def _against_pycraf() -> float:
    """Largest difference from pycraf's loss over one edge, decibels, in the light of P.452's own formula."""
    from astropy import units as u
    from pycraf import pathprof

    worst = 0.0
    for name in FREQUENCIES:
        wavelength = HEAD_TYPES[name].wavelength_m
        for above in (1.0, 3.0, 6.0):
            heights = np.zeros(101)
            heights[50] = 20.0 + above
            profile = pathprof.PathProp(
                HEAD_TYPES[name].frequency_hz / 1e9 * u.GHz,
                280 * u.K,
                1013 * u.hPa,
                0 * u.deg,
                50 * u.deg,
                (0.1 / 71.5) * u.deg,
                50 * u.deg,
                20 * u.m,
                20 * u.m,
                10 * u.m,
                50 * u.percent,
                hprof_dists=np.linspace(0, 0.1, 101) * u.km,
                hprof_heights=heights * u.m,
                hprof_bearing=0 * u.deg,
                hprof_backbearing=0 * u.deg,
                delta_N=40 / u.km,
                N0=325 * u.dimensionless_unscaled,
            )
            edge = float(knife_edge_loss_approx_db(knife_edge_nu(wavelength, above, 50.0, 50.0)))
            expected = edge + (1.0 - np.exp(-edge / 6.0)) * (10.0 + 0.02 * 0.1)
            worst = max(worst, abs(pathprof.loss_diffraction(profile)[0].value - expected))
    return worst


def two_ray(folder: Path) -> Section:
    section = Section("Two rays over flat ground")
    section.say(
        "Heads wide enough (40 degrees) to light the mirror point as the direct path. The paraxial equation's own "
        "phase error, k (h1 + h2)^4 / (8 d^3), is kept below 0.02 rad; steeper pairs are outside the model."
    )
    figure = Figure(figsize=(9, 3.6))
    panels = figure.subplots(1, 2, sharey=True)
    worst_db = worst_amplitude = 0.0
    for axes, (name, frequency) in zip(panels, FREQUENCIES.items(), strict=True):
        wide = HeadType("wide", frequency, 40.0, 40.0, 500.0)
        heights = np.round(np.arange(0.2, 1.61, 0.05), 2)
        for length in (60.0, 100.0, 150.0):
            x = np.linspace(0, length, 41)
            beams = [Beam(wide, x, 0 * x, h, h) for h in heights]
            level = np.array([field.standing_level_db for field in solve_beams(beams, single=False)])
            expected = np.array([two_ray_level_db(wide.wavelength_m, length, h, h) for h in heights])
            fit = 2 * np.pi / wide.wavelength_m * (2 * heights) ** 4 / 8 / length**3 < 0.02
            high = fit & (expected > -10.0)
            worst_db = max(worst_db, float(np.abs(level - expected)[high].max()))
            amplitude = np.abs(10 ** (level / 20) - 10 ** (expected / 20))[fit]
            worst_amplitude = max(worst_amplitude, float(amplitude.max()))
            dense = np.arange(0.2, 1.605, 0.005)
            drawn = [max(two_ray_level_db(wide.wavelength_m, length, h, h), -40.0) for h in dense]
            (line,) = axes.plot(dense, drawn, lw=1, label=f"closed form, {length:g} m")
            axes.plot(heights[fit], np.maximum(level, -40)[fit], "o", ms=3, color=line.get_color())
        axes.set(xlabel="height of both heads, m", title=name)
        axes.legend(fontsize=7)
    panels[0].set_ylabel("standing level, dB")
    section.picture(
        folder, "two_ray.png", figure, "Standing level against head height: closed form (lines), solver (dots)"
    )
    section.check("level above -10 dB", worst_db, 0.5, "dB", "image theory, closed form")
    section.check("amplitude, nulls included", worst_amplitude, 0.06, "of free space", "image theory, closed form")

    worst = 0.0
    for frequency in FREQUENCIES.values():
        wide = HeadType("wide", frequency, 40.0, 40.0, 500.0)
        for polarisation in ("horizontal", "vertical"):
            for height in (0.3, 0.6, 0.91):
                s = 2 * height / np.hypot(LENGTH, 2 * height)
                root = np.sqrt(14.0 + s**2)
                r = (s - root) / (s + root) if polarisation == "horizontal" else (15 * s - root) / (15 * s + root)
                expected = two_ray_level_db(wide.wavelength_m, LENGTH, height, height, r)
                (field,) = solve_beams([Beam(wide, X, 0 * X, height, height, polarisation=polarisation)], single=False)
                worst = max(worst, abs(field.standing_level_db - expected))
    section.check("with Fresnel's coefficients, permittivity 15", worst, 0.5, "dB", "Fresnel reflection, closed form")
    return section


def spread_and_radius(folder: Path) -> Section:
    section = Section("Beam spread, Fresnel radius, rain")
    worst = 0.0
    for name, head in HEAD_TYPES.items():
        beam = Beam(head, X, 0 * X, 12.0, 12.0)
        grid = choose_grid(beam, X, 0 * X, 0.5, 0.03 if name.startswith("10") else 0.015)
        field = np.abs(sweeps([beam], [grid], [0.0], single=False)[:, 0, 0]) ** 2
        z = np.arange(grid.size) * grid.dz
        w0 = waist(head.wavenumber, head.beamwidth_el_deg)
        for step in (0, 20, 60):
            centre = (field[step] * z).sum() / field[step].sum()
            radius = 2.0 * np.sqrt((field[step] * (z - centre) ** 2).sum() / field[step].sum())
            worst = max(worst, abs(radius / float(beam_radius(head.wavelength_m, w0, step * 0.5)) - 1.0))
    section.check("radius of the marched beam over 30 m", 100 * worst, 0.2, "%", "Gaussian beam, closed form")
    worst = max(
        abs(
            float(fresnel_radius(head.wavelength_m, a, LENGTH - a))
            / (17.3 * np.sqrt(a / 1e3 * (LENGTH - a) / 1e3 / (head.frequency_hz / 1e9 * LENGTH / 1e3)))
            - 1.0
        )
        for head in HEAD_TYPES.values()
        for a in (10.0, 30.0, 50.0)
    )
    section.check("first Fresnel radius", 100 * worst, 0.2, "%", "ITU-R P.530, constant 17.3 as printed")
    worst = 0.0
    for head in HEAD_TYPES.values():
        aimed, *off = solve_beams(
            [
                Beam(head, X, 0 * X, 8.0, 8.0, **error)
                for error in (
                    {},
                    {"tx_pan_deg": head.beamwidth_az_deg / 2},
                    {"rx_pan_deg": -head.beamwidth_az_deg / 2},
                    {"tx_tilt_deg": head.beamwidth_el_deg / 2},
                    {"rx_tilt_deg": head.beamwidth_el_deg / 2},
                )
            ],
            single=False,
        )
        level = aimed.standing_level_db
        worst = max(worst, *(abs(field.standing_level_db - level + 10 * np.log10(2)) for field in off))
    section.check(
        "head turned by half its beamwidth: off half power by", worst, 0.1, "dB", "definition of the beamwidth"
    )
    from itur.models.itu838 import rain_specific_attenuation

    tilts = {"horizontal": 0, "vertical": 90, "circular": 45}
    worst = 0.0
    rows = []
    for name, head in HEAD_TYPES.items():
        for rate in (10.0, 50.0, 100.0):
            for polarisation, tilt in tilts.items():
                theirs = rain_specific_attenuation(rate, head.frequency_hz / 1e9, 0, tilt).value
                ours = specific_attenuation_db_per_km(head.frequency_hz, rate, polarisation=polarisation)
                worst = max(worst, abs(ours / theirs - 1.0))
            rows.append([name, f"{rate:g}", f"{ours:.3f}", f"{ours * LENGTH / 1000:.2f}"])
    section.table(["band", "rain, mm/h", "dB/km, circular", f"dB over {LENGTH:g} m"], rows)
    section.check("specific attenuation", 100 * worst, 0.01, "%", "ITU-R P.838-3 by the package itur")
    return section
