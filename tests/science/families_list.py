"""The families of the table. What a family does not say is as `families_jobs.Family` has it, which is the bench file's defaults."""

from __future__ import annotations

import math
from dataclasses import replace

from tests.science.families_jobs import Family

#: A rotor on which nothing but the stated small terms is left: item 2 of the table.
_CLEAN = Family(
    "",
    "",
    opens_deg=((9.9, 10.1),),
    pass_scatter_deg=(0.002, 0.004),
    friction_deg=(0.03, 0.06),
    friction_asymmetry=0.01,
    cam_torque_fraction=5e-5,
    capacitor_uf=(0.02, 0.02),
    bounces=0.0,
    with_edges=True,
    lobe=0,
)
#: 5″ as the standard deviation of what a map leaves: a sine of amplitude √2·5″ on 20 mm.
_MAPPED_UM = math.sqrt(2) * math.radians(5 / 3600) * 20_000

_RETARD = ((8.0, 14.0), (28.0, 32.0))
_CAPACITOR = Family("", "", ohm=10_000.0, capacitor_uf=(0.35, 0.35), bounces=0.0)
#: Rests scatter over the band within which friction holds a rotor: only a rotor nearly without friction tells neutral by them.
_QUIET = replace(
    _CLEAN,
    releases_per_side=4,
    friction_deg=(0.002, 0.006),
    friction_asymmetry=0.1,
    with_edges=False,
    eccentricity_um=_MAPPED_UM,
)

FAMILIES = (
    Family("poles-2", "two poles", poles=2, dwell_deg=60.0),
    Family("poles-4", "four poles"),
    Family("poles-6", "six poles", poles=6, dwell_deg=25.0),
    Family("poles-8", "eight poles", poles=8, dwell_deg=20.0, opens_deg=((8.0, 12.0),)),
    Family("slow", "25 to 40°/s, two poles", poles=2, dwell_deg=60.0, passes=3, speeds_deg_s=(25.0, 40.0)),
    Family("fast", "200 to 340°/s", speeds_deg_s=(200.0, 340.0)),
    Family("jerky", "jerks, stops, backs up, also through openings", jerkiness=0.8, backs_up=True),
    replace(_CAPACITOR, name="delay-stated", about="10 kΩ, 0.35 µF stated"),
    Family(
        "delay-unstated",
        "10 kΩ, 0 to 0.35 µF not stated",
        ohm=1e4,
        capacitor_uf=(0, 0.35),
        capacitor_stated=False,
        bounces=0,
    ),
    replace(
        _CAPACITOR,
        name="delay-line",
        about="the same at two speeds, zero-speed line",
        passes=7,
        speeds_deg_s=(200.0, 300.0),
        slow_share=0.2,
    ),
    Family("off-centre", "100 µm on 20 mm, no map", eccentricity_um=100.0),
    Family("bounce", "8 returns on average, up to 5 ms", bounces=8.0, bounce_ms=(1.0, 5.0)),
    Family("friction-small", "0.01 to 0.05° either way", friction_deg=(0.01, 0.05)),
    Family("friction-wide", "1.6 to 2.0° either way", friction_deg=(1.6, 2.0), opens_deg=((10.0, 14.0),)),
    Family("cam-load", "cam torque up to 5 % of the magnet's", cam_torque_fraction=0.05),
    Family(
        "followers-lifted",
        "the same, neutral also with followers lifted",
        cam_torque_fraction=0.05,
        followers_lifted=True,
    ),
    Family("few-presses", "two from each side", presses_per_side=2),
    Family("rests", "two releases from each side, no Edges", releases_per_side=2),
    Family("swings", "two releases from each side, with Edges", releases_per_side=2, with_edges=True),
    Family("from-target", "second breaker from the main breaker's target", opens_deg=_RETARD, judged="main.target"),
    Family("from-opening", "second breaker from the main one's opening", opens_deg=_RETARD, judged="main"),
    Family("difference", "two main breakers", opens_deg=((9.0, 11.0), (9.0, 11.0)), judged="difference"),
    Family(
        "compensated",
        "seven lobes on four poles, geared",
        opens_deg=((10.0, 12.0),),
        offsets_deg=(0.0, 0.8, -0.6, 1.4, 0.3, -1.1, 0.5),
        passes=3,
    ),
    replace(
        _CLEAN,
        name="10°-swings",
        about="clean, encoder mapped to 5″, swings",
        releases_per_side=2,
        eccentricity_um=_MAPPED_UM,
    ),
    replace(_QUIET, name="10°-rests", about="clean, mapped to 5″, rests, least friction, 10,000 counts"),
    replace(_QUIET, name="10°-rests-fine", about="the same with 20,000 counts", counts_per_turn=20_000),
    replace(_CLEAN, name="10°-presses", about="clean, by presses alone", eccentricity_um=_MAPPED_UM),
    replace(
        _CLEAN,
        name="10°-bounce",
        about="clean, swings, but 1.5 returns up to 0.5 ms and 0.2 µF",
        releases_per_side=2,
        eccentricity_um=_MAPPED_UM,
        bounces=1.5,
        capacitor_uf=(0.2, 0.2),
    ),
    replace(
        _CLEAN,
        name="10°-long-bounce",
        about="the same, but 8 returns up to 5 ms",
        releases_per_side=2,
        eccentricity_um=_MAPPED_UM,
        bounces=8.0,
        bounce_ms=(1.0, 5.0),
        capacitor_uf=(0.2, 0.2),
    ),
    replace(
        _CLEAN,
        name="40°-unmapped",
        about="clean, 20 µm on 20 mm, swings",
        releases_per_side=2,
        opens_deg=((39.9, 40.1),),
    ),
)
