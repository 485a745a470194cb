"""Compute the table of docs/validation/README.md: what is known, and what comes out here.

    python docs/validation/make.py

Takes some minutes. The references are those of the tests named in the last column, which assert
what this page shows.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
REPOSITORY = HERE.parents[1]
sys.path.insert(0, str(REPOSITORY))

import waves  # noqa: E402

from raysim.air import Climate, attenuation_db_per_m  # noqa: E402
from raysim.bands import exact_midband_hz  # noqa: E402
from raysim.loudspeakers.cabinet import directivity_of  # noqa: E402
from raysim.loudspeakers.cap import cap_pressure, equal_sphere_m, piston_pressure  # noqa: E402
from raysim.settings import Settings  # noqa: E402
from raysim.solvers.run import run  # noqa: E402
from raysim.surfaces.admittance import most_absorbing  # noqa: E402
from raysim.surfaces.chamber import chamber_octaves  # noqa: E402
from raysim.surfaces.ratings import weighted_absorption  # noqa: E402
from raysim.theory import reverberation  # noqa: E402
from raysim.theory.criteria import nominal_decay_time  # noqa: E402
from tests.analytic import test_images as images  # noqa: E402
from tests.analytic import test_layers as layers  # noqa: E402
from tests.analytic import test_loudspeakers as speakers  # noqa: E402
from tests.plain import stacks  # noqa: E402
from tests.plain.cap import far_pressure  # noqa: E402
from tests.plain.lattice import images_to_order  # noqa: E402
from tests.plain.radiosity import box_decay, sphere_decay  # noqa: E402
from tests.published import test_absorbers as porous  # noqa: E402
from tests.published import test_iso3382 as iso3382  # noqa: E402
from tests.published import test_iso9613 as iso9613  # noqa: E402
from tests.published import test_measured_arrivals as measured  # noqa: E402
from tests.published import test_reverberation_formulas as formulas  # noqa: E402
from tests.rooms import shoebox, sphere_room  # noqa: E402
from tests.statistical import test_diffuse_decay as diffuse  # noqa: E402
from tests.statistical import test_image_order as orders  # noqa: E402
from tests.statistical.late_decay import late_decay, spread_points  # noqa: E402

START, END = "<!-- table by docs/validation/make.py -->\n", "<!-- end of table -->\n"
Row = tuple[str, str, str, str, str]


def main() -> None:
    """Write the table between its markers."""
    rows = ["| case | source | expected | got | test |", "|---|---|---|---|---|"]
    for case in (
        air,
        decays,
        closed_formulas,
        criteria,
        direct,
        lattice,
        absorbers,
        beams,
        boxes,
        spheres,
        image_orders,
        arrivals,
        waves.reduced_room,
        waves.porous_bodies,
        waves.joined,
    ):
        for row in case():
            rows.append(f"| {' | '.join(row)} |")
            print(rows[-1], flush=True)
    page = HERE / "README.md"
    before, rest = page.read_text("utf-8").split(START)
    page.write_text(
        before + START + "\n".join(rows) + "\n" + END + rest.split(END)[1], encoding="utf-8"
    )


def air() -> Iterator[Row]:
    """Attenuation of air against two printed tables."""
    pairs = [
        (
            1000 * attenuation_db_per_m(exact_midband_hz(f, 3), Climate(celsius, humidity)),
            printed,
        )
        for celsius, f, humidity, printed in iso9613.PURE_TONES
    ]
    yield _agreement("air, 9 pure tones", "ISO 9613-1:1993, table 1 (quoted)", pairs)
    pairs = [
        (1000 * attenuation_db_per_m(exact_midband_hz(f), Climate(celsius, humidity)), printed)
        for celsius, humidity, row in iso9613.OCTAVES
        for f, printed in zip(iso9613.OCTAVES_HZ, row.split(), strict=True)
    ]
    yield _agreement("air, 48 octaves", "ISO 9613-2:1996, table 2 (quoted)", pairs)


def _agreement(case: str, source: str, pairs: list[tuple[float, str]]) -> Row:
    misses = [
        (got, printed)
        for got, printed in pairs
        if abs(got - float(printed)) > iso9613.half_digit(printed)
    ]
    said = "; ".join(f"{got:.4f} where {printed} is printed" for got, printed in misses)
    got = f"{len(pairs) - len(misses)} of {len(pairs)}" + (f" ({said})" if said else "")
    return case, source, "all to the last printed digit", got, "`published/test_iso9613.py`"


def decays() -> Iterator[Row]:
    """Quantities of an exponential decay of 0.3 s."""
    expected, got = iso3382.closed_forms(0.3), iso3382.evaluated(0.3)
    for key, digits, unit in (("C50", 3, "dB"), ("C80", 3, "dB"), ("D50", 4, ""), ("Ts", 5, "s")):
        yield (
            f"{key} of an exponential decay, T = 0.3 s",
            "ISO 3382-1:2009, annex A, in closed form",
            f"{expected[key]:.{digits}f} {unit}".strip(),
            f"{got[key]:.{digits}f} {unit}".strip(),
            "`published/test_iso3382.py`",
        )


def closed_formulas() -> Iterator[Row]:
    """A handbook's example of Sabine's formula."""
    times = reverberation.sabine_time(
        formulas.AREAS_FT2 * formulas.FOOT_M**2,
        formulas.COEFFICIENTS,
        formulas.VOLUME_M3,
        formulas.HANDBOOK_SPEED,
    )
    yield (
        "Sabine, treated room, 125 Hz to 4 kHz",
        "Everest, Master Handbook of Acoustics, example 2 (seen)",
        " ".join(f"{time:.2f}" for time in formulas.PRINTED_S) + " s",
        " ".join(f"{time:.2f}" for time in times) + " s",
        "`published/test_reverberation_formulas.py`",
    )


def criteria() -> Iterator[Row]:
    """Nominal decay time of a listening room."""
    yield (
        "nominal decay time, 60 m³",
        "ITU-R BS.1116-3, 8.2.3.1 (quoted)",
        "0.211 s",
        f"{nominal_decay_time(60):.3f} s",
        "`published/test_listening_rooms.py`",
    )


def direct() -> Iterator[Row]:
    """Direct sound where everything absorbs."""
    source, receiver = np.array([0.7, 0.9, 1.1]), np.array([2.3, 3.2, 1.6])
    scene = shoebox(absorption=1.0, bands_hz=images.BANDS, sources=[source], receivers=[receiver])
    result = run(scene, Settings(rays=32, image_order=1, duration_s=0.02))
    distance = np.linalg.norm(source - receiver)
    attenuation = scene.climate.attenuation(images.midbands(images.BANDS))
    expected = 100 / distance**2 * np.exp(-attenuation * distance)
    off = np.abs(result.energy[0, 0, 0, :, 0] / expected - 1).max()
    yield (
        "direct sound in the free field",
        "100/r² · exp(−m r)",
        "exact",
        f"within {off:.0e}",
        "`analytic/test_images.py`",
    )


def lattice() -> Iterator[Row]:
    """All images of a box to order 8."""
    size, source, receiver = (4.1, 5.2, 2.7), (1.1, 0.8, 1.2), (2.6, 3.1, 1.35)
    scene = shoebox((5.2, 4.1, 2.7), 0.3, 0.0, [source], [receiver], bands_hz=(1000,))
    expected = np.sort(images_to_order(size, source, receiver, 8).lengths)
    found = np.sort([path.length_m for path in images.early(scene, 8)])
    worst_s = np.abs(found - expected).max() / scene.climate.speed_of_sound
    yield (
        "images of a box to order 8",
        "enumeration of the lattice",
        f"{len(expected)} paths, times to 1 µs",
        f"{len(found)} paths, within {worst_s:.0e} s",
        "`analytic/test_images.py`",
    )


def beams() -> Iterator[Row]:
    """A driver in a cabinet against the boundary integral and the flat piston."""
    where, worst = "`analytic/test_loudspeakers.py`", 0.0
    radius = equal_sphere_m((0.21, 0.28, 0.34))
    for frequency in (20.0, 125.0, 1000.0, 4000.0, 16000.0):
        k = 2 * np.pi * frequency / speakers.SPEED
        one = cap_pressure(k, 0.075, radius, speakers.ANGLES)[0]
        other = far_pressure(k, 0.075, radius, speakers.ANGLES, terms=250, nodes=250)
        worst = max(worst, float(np.abs(one - other).max()))
    case = "15 cm driver in a cabinet, 20 Hz to 16 kHz, 11 angles"
    yield case, "Helmholtz integral over the sphere, apart", "equal", f"within {worst:.0e}", where
    angle = np.radians(np.linspace(0, 60, 31))
    cap = np.abs(cap_pressure(60.0, 0.1, 20.0, angle)[0])
    apart = float(np.abs(cap - np.abs(piston_pressure(60.0, 0.1, angle)[0])).max())
    yield (
        "cap on a sphere of 200 times its radius, ka = 6",
        "2J1(x)/x (Rayleigh)",
        "equal in the limit",
        (f"within {apart:.0e}"),
        where,
    )
    level = directivity_of(speakers.BIG, speakers.BANDS, speakers.SPEED).horizontal_db[1][36]
    yield (
        "20 cm driver in a box of 30 x 35 x 45 cm, rear re front, 125 Hz and 4 kHz",
        "common practice",
        "within 1 dB; more than 15 dB below",
        f"{level[0]:.1f} dB; {level[-1]:.0f} dB",
        where,
    )


def absorbers() -> Iterator[Row]:
    """Layered absorbers: another formulation, printed values, closed forms."""
    f = layers.FREQUENCIES
    worst = 0.0
    for texts in layers.plain_stacks(1000.0):
        plain = [stacks.absorption(*layers.plain_stacks(one)[texts]) for one in f]
        got = layers.layers(*texts).normal_incidence(f, layers.AIR)
        worst = max(worst, float(np.abs(got - plain).max()))
    yield (
        "4 layered stacks, 41 frequencies",
        "one linear system of all wave amplitudes, solved apart",
        "equal, 1e-9",
        f"within {worst:.0e}",
        "`analytic/test_layers.py`",
    )
    board = layers.layers("porous 50mm 10000").random_incidence(porous.OCTAVES, layers.AIR)
    yield (
        "50 mm of 10 kPa s/m², all sides, 63 Hz to 8 kHz",
        "Miki 1990, computed elsewhere",
        "0.049 0.139 0.324 0.589 0.828 0.930 0.954 0.963",
        " ".join(f"{alpha:.3f}" for alpha in board),
        "`published/test_absorbers.py` (136 rows)",
    )
    most, admittance = most_absorbing()
    yield (
        "most that a locally reacting surface absorbs",
        "Kuttruff, Room Acoustics, chapter 2",
        "0.951 at z = 1.567",
        f"{most:.3f} at z = {1 / admittance.real:.3f}",
        "`published/test_absorbers.py`",
    )
    rated = weighted_absorption([0.20, 0.45, 0.85, 0.95, 0.90])
    yield (
        "weighted absorption of 0.20 0.45 0.85 0.95 0.90",
        "ISO 11654:1997, worked by hand",
        "0.45(MH), class D",
        f"{rated}, class {rated.absorption_class}",
        "`published/test_ratings.py`",
    )
    sample = layers.layers("porous 50mm glass wool 48kg/m3")
    reading = chamber_octaves(sample, (125, 250, 500, 1000), Climate())
    yield (
        "chamber estimate, 50 mm glass-fibre board of 48 kg/m³, 125 Hz to 1 kHz",
        "handbook values",
        "0.22 0.82 0.99 1.00, within 0.2",
        " ".join(f"{alpha:.2f}" for alpha in reading),
        "`published/test_absorbers.py`",
    )


def boxes() -> Iterator[Row]:
    """Late decay of boxes of Lambert surfaces."""
    for absorption, name, start_m, gap_m, rays in (
        (diffuse.UNIFORM_1, "α 0.1", 20, 120, 65536),
        (diffuse.UNIFORM_5, "α 0.5", 18, 20, 131072),
        (diffuse.FLOOR, "α 0.1, floor 0.8", 20, 30, 393216),
    ):
        size = diffuse.FLAT
        expected = box_decay(size, absorption)
        scene = diffuse.lambert_box(size, absorption)
        duration = (start_m + gap_m + 12) / scene.climate.speed_of_sound
        result = run(scene, Settings(rays=rays, seed=7, image_order=0, duration_s=duration))
        decay, error = late_decay(result, start_m, 10, gap_m)
        areas = np.array(
            [size[1] * size[2]] * 2 + [size[0] * size[2]] * 2 + [size[0] * size[1]] * 2
        )
        mean = float(areas @ np.array(absorption) / areas.sum())
        yield _decay(
            f"diffuse box 7 x 5.18 x 2.74 m, {name}",
            "radiosity equation, solved apart",
            expected,
            (decay, error),
            (mean, diffuse.mean_free_path(size)),
        )


def spheres() -> Iterator[Row]:
    """Late decay of spheres of Lambert surfaces."""
    for absorption, start_m, gap_m in ((0.1, 24, 80), (0.5, 13, 20)):
        points = spread_points(40, (1.8, 1.8, 1.8), margin=0.0) - 0.9
        scene = sphere_room(2.0, 3, absorption, 1.0, [(0.3, 0.2, -0.4)], points, bands_hz=(63,))
        free_path = 4 * scene.volume / scene.area
        expected = sphere_decay(2.0, absorption) * (8.0 / 3) / free_path
        duration = (start_m + gap_m + 10) / scene.climate.speed_of_sound
        result = run(scene, Settings(rays=98304, seed=5, image_order=0, duration_s=duration))
        yield _decay(
            f"diffuse sphere of 1280 triangles, α {absorption}",
            "Carroll and Chien 1977; Joyce 1978",
            expected,
            late_decay(result, start_m, 6, gap_m),
            (absorption, free_path),
        )


def image_orders() -> Iterator[Row]:
    """Sum of the control room at image orders 0 to 4."""
    scene = orders.scattering_rises()
    sums = np.array(
        [
            orders.mean_and_error(
                orders.totals(run(scene, Settings(seed=131 + n, image_order=n, **orders.LONG)))
            )
            for n in range(5)
        ]
    )
    mean = sums[:, 0].mean(axis=0)
    yield (
        "control room, s 0.05 to 0.6 by band: sum of 40 ms at image orders 0 to 4, six bands",
        "each path counted once, whatever the order",
        "equal, errors below 0.3 %",
        f"all within {100 * np.abs(sums[:, 0] / mean - 1).max():.2f} % of their mean, errors "
        f"up to {100 * (sums[:, 1] / mean).max():.2f} %",
        "`statistical/test_image_order_long.py`",
    )


def arrivals() -> Iterator[Row]:
    """Measured first reflections of a calibrated box."""
    errors = measured.arrival_errors_s()
    first = 1e3 * np.abs(np.concatenate([errors[name] for name in measured.WALLS.values()]))
    yield (
        "720 measured first reflections: median, 90 %, share within 1 ms",
        "dEchorate, Di Carlo et al. 2021",
        "0.19 ms, 0.50 ms, 94 %",
        f"{np.median(first):.2f} ms, {np.percentile(first, 90):.2f} ms, "
        f"{100 * (first < 1).mean():.0f} %",
        "`published/test_measured_arrivals.py`",
    )


def _decay(
    case: str,
    source: str,
    expected: float,
    got: tuple[float, float],
    formula: tuple[float, float],
) -> Row:
    """Decay constants as decay times relative to the expected one."""
    decay, error = got
    mean, free_path = formula
    sabine, eyring = (expected / (exponent / free_path) for exponent in (mean, -np.log(1 - mean)))
    return (
        f"{case}: T re exact",
        source,
        f"1 (Sabine {sabine:.3f}, Eyring {eyring:.3f})",
        f"{expected / decay:.4f} ± {error / decay * expected / decay:.4f}",
        "`statistical/test_diffuse_decay.py`",
    )


if __name__ == "__main__":
    main()
