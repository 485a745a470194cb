"""Hand-made scenes and results with known answers; no solver is involved. All are invented."""

from __future__ import annotations

import numpy as np

from raysim.air import Climate
from raysim.bands import DEFAULT_OCTAVES_HZ
from raysim.results.data import Bass, BassField, Reflection, Result
from raysim.scene.data import Facet, Material, Mesh, Receiver, Scene, Source, Surface
from raysim.settings import Settings

DECAY_TIMES_S = (0.42, 0.36, 0.31, 0.28, 0.26, 0.24)
SIZE_M = (5.1, 3.9, 2.6)
SOURCES_M = ((1.2, 0.9, 1.2), (2.7, 0.9, 1.2))
RECEIVERS_M = ((1.95, 2.2, 1.2), (1.5, 3.6, 1.1), (2.6, 3.9, 1.3))


def box_facets(size_m):
    """The six facets of a tape-measured box, named as the surfaces."""
    length, width, height = size_m
    x, y, z = np.eye(3)
    frames = {
        "front": ((0, 0, 0), x, z, y, (width, height)),
        "rear": ((width, length, 0), -x, z, -y, (width, height)),
        "left": ((0, length, 0), -y, z, x, (length, height)),
        "right": ((width, 0, 0), y, z, -x, (length, height)),
        "floor": ((0, length, 0), x, -y, z, (width, length)),
        "ceiling": ((width, length, height), -x, -y, -z, (width, length)),
    }
    return tuple(
        Facet(
            name=name,
            surface=number,
            origin=np.array(origin, dtype=float),
            u=u,
            v=v,
            normal=normal,
            size=np.array(size, dtype=float),
            area=float(size[0] * size[1]),
            outline=(np.array([[0, 0], [size[0], 0], [size[0], size[1]], [0, size[1]]], float),),
        )
        for number, (name, (origin, u, v, normal, size)) in enumerate(frames.items())
    )


def box_mesh(facets):
    """Two triangles a facet, vertices not shared."""
    vertices, triangles = [], []
    for facet in facets:
        start = len(vertices)
        for u, v in ((0, 0), (1, 0), (1, 1), (0, 1)):
            vertices.append(
                facet.origin + u * facet.size[0] * facet.u + v * facet.size[1] * facet.v
            )
        pair = np.array([[0, 1, 2], [0, 2, 3]])
        if np.cross(facet.u, facet.v) @ facet.normal < 0:
            pair = pair[:, ::-1]
        triangles.extend(start + pair)
    of_triangle = np.repeat(np.arange(len(facets)), 2)
    return Mesh(
        vertices=np.array(vertices),
        triangles=np.array(triangles),
        surface=of_triangle,
        facet=of_triangle,
        sheet=np.zeros(len(of_triangle), dtype=bool),
    )


def box_scene(
    size_m=SIZE_M, bands_hz=DEFAULT_OCTAVES_HZ, sources=2, receivers=1, names=("plaster", "rug")
):
    """An invented tape-measured box, plaster but for a rug on the floor."""
    bands = len(bands_hz)
    facets = box_facets(size_m)
    absorption = (np.linspace(0.14, 0.08, bands), np.linspace(0.05, 0.6, bands))
    front = np.array([0.0, -1.0, 0.0])
    return Scene(
        title="Invented bedroom",
        mesh=box_mesh(facets),
        surfaces=tuple(Surface(f.name, int(f.name == "floor")) for f in facets),
        facets=facets,
        materials=tuple(
            Material(name, a, np.full(bands, 0.1), 0.8 * a, 1.25 * a, "invented")
            for name, a in zip(names, absorption, strict=True)
        ),
        sources=tuple(
            Source(name, np.array(at), -front)
            for name, at in zip(("left speaker", "right speaker"), SOURCES_M, strict=True)
        )[:sources],
        receivers=tuple(
            Receiver(name, np.array(at), front)
            for name, at in zip(("seat", "sofa left", "sofa right"), RECEIVERS_M, strict=True)
        )[:receivers],
        climate=Climate(),
        bands_hz=tuple(float(f) for f in bands_hz),
        volume=float(np.prod(size_m)),
        front=front,
        handedness=-1,
        notes=("an invented room",),
        text='title = "Invented bedroom"\n[room]\nsize = [5.1, 3.9, 2.6]\n',
        path="bedroom.toml",
        mesh_sha256="0" * 64,
    )


def first_reflections(scene):
    """Direct sound and exact first-order images in the box, every source and receiver."""
    speed = scene.climate.speed_of_sound
    paths = []
    for s, source in enumerate(scene.sources):
        for r, receiver in enumerate(scene.receivers):
            straight = np.linalg.norm(source.position - receiver.position)
            for number in range(-1, len(scene.facets)):
                image, points, kept = (
                    source.position,
                    np.zeros((0, 3)),
                    np.ones(len(scene.bands_hz)),
                )
                if number >= 0:
                    facet = scene.facets[number]
                    depth = (source.position - facet.origin) @ facet.normal
                    image = source.position - 2 * depth * facet.normal
                    reach = (receiver.position - facet.origin) @ facet.normal
                    share = depth / (depth + reach)
                    points = (image + share * (receiver.position - image))[None]
                    material = scene.materials[scene.surfaces[number].material]
                    kept = (1 - material.absorption) * (1 - material.scattering)
                arrow = image - receiver.position
                length = float(np.linalg.norm(arrow))
                right = scene.right_of(receiver.facing)
                paths.append(
                    Reflection(
                        variant=0,
                        source=s,
                        receiver=r,
                        facets=() if number < 0 else (number,),
                        points=points,
                        length_m=length,
                        delay_s=(length - float(straight)) / speed,
                        energy=100.0 * kept / length**2,
                        level_db=10 * np.log10(kept * (straight / length) ** 2),
                        azimuth_deg=float(
                            np.degrees(np.arctan2(arrow @ right, arrow @ receiver.facing))
                        ),
                        elevation_deg=float(np.degrees(np.arcsin(arrow[2] / length))),
                    )
                )
    return tuple(sorted(paths, key=lambda p: (p.source, p.receiver, p.delay_s)))


def exponential_energy(times_s, bin_s, bins):
    """(..., bins) energy of exponential decays of total 1; times T (...) in s, exact in bins."""
    edges = np.arange(bins + 1) * bin_s
    level = np.exp(-6 * np.log(10) * edges / np.asarray(times_s, dtype=float)[..., None])
    return level[..., :-1] - level[..., 1:]


def exponential_result(
    times_s=DECAY_TIMES_S,
    bands_hz=DEFAULT_OCTAVES_HZ,
    size_m=SIZE_M,
    bin_s=0.001,
    duration_s=None,
    batches=32,
    noise=0.1,
    paths=True,
    sources=2,
    receivers=1,
    variants=("as built",),
    seed=1,
    bass=False,
):
    """A result whose late part decays exponentially.

    Parameters
    ----------
    times_s : (bands,) float
        Decay time of each band.
    duration_s : float or None
        Length of the histogram; None takes 1.2 times the longest decay time.
    noise : float
        Relative standard deviation of one bin in one batch (gamma distributed).
    paths : bool
        With the direct sound and the first reflections of a box; without, the exponential alone
        and its total energy is that of the diffuse field.
    bass : bool
        With `made_bass`.
    """
    scene = box_scene(size_m, bands_hz, sources, receivers)
    bins = round((duration_s or 1.2 * max(times_s)) / bin_s)
    strength = 31200 * np.asarray(times_s) / scene.volume
    smooth = exponential_energy(times_s, bin_s, bins) * strength[:, None]
    shape = (batches, len(variants), sources, receivers, len(bands_hz), bins)
    late = np.broadcast_to(smooth, shape)
    if noise > 0:
        rng = np.random.default_rng(seed)
        late = late * rng.gamma(noise**-2, noise**2, shape)
    early = np.zeros(shape[1:])
    reflections = first_reflections(scene) if paths else ()
    for path in reflections:
        index = int(path.delay_s / bin_s)
        if index < bins:
            early[:, path.source, path.receiver, :, index] += path.energy
    return Result(
        scene=scene,
        settings=Settings(seed=seed, bin_s=bin_s),
        variants=tuple(variants),
        image_order=1,
        time_s=np.arange(bins) * bin_s,
        energy_batches=late + early,
        reflections=reflections,
        rounds=1,
        rays=32000,
        reflection_count=1_600_000,
        lost_rays=0,
        receiver_radius_m=np.full(receivers, 0.25),
        stopped_by="precision reached: every T20 within 1.0 %",
        duration_of_run_s=3.2,
        raysim_version="0.1.0",
        created="2026-01-01T00:00:00+00:00",
        bass=made_bass(len(variants), len(scene.sources), receivers) if bass else None,
    )


def made_bass(variants, sources, receivers):
    """Direct sound at 2 m alone, and two invented modes a variant."""
    frequency = np.arange(20.0, 61.0)
    direct = 5 * np.exp(-2j * np.pi * frequency * 2.0 / 343.2)
    rng = np.random.default_rng(0)
    return Bass(
        frequency_hz=frequency,
        zone=np.broadcast_to(direct, (variants, sources, receivers, 9, len(frequency))).copy(),
        mode_variant=np.repeat(np.arange(variants), 2),
        mode_frequency_hz=np.tile([33.6, 44.0], variants),
        mode_decay_time_s=np.tile([0.8, np.inf], variants),
        mode_at_receivers=rng.standard_normal((2 * variants, receivers)),
        mode_at_sources=rng.standard_normal((2 * variants, sources)),
        mode_kind=("along the length, 1st", "") * variants,
        unknowns=np.full(variants, 5000),
        box_share=np.ones(variants),
        notes=("computed up to 60 Hz, as asked",),
        field=made_field(variants, sources, frequency, direct),
    )


def made_field(variants, sources, frequency, direct):
    """A plan of 3 by 3 points and two corners, all as loud as the seat or twice that."""
    cells = np.array([(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)])
    seat, shape = np.array(RECEIVERS_M[0]), (variants, sources)
    plan = seat + 0.25 * np.column_stack([cells[:, 0], -cells[:, 1], np.zeros(9)])
    everywhere = np.broadcast_to(direct.astype(np.complex64), (*shape, 9, len(frequency)))
    square = np.broadcast_to(np.abs(direct) ** 2, (*shape, len(frequency)))
    return BassField(
        plan_m=plan,
        plan_cell=cells,
        plan=everywhere.copy(),
        corner_name=("front left, floor", "rear right, ceiling"),
        corner_m=np.array([[0.1, 0.1, 0.1], [3.8, 5.0, 2.5]]),
        corner=2 * everywhere[:, :, :2],
        mean_square=square.copy(),
        middle_square=square / 2,
    )
