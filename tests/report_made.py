"""A hand-made result to draw: an invented bedroom, a box with a desk slab, exact box images.

Only what a report needs; no engine is involved. Coordinates are those of a tape-measured room.
"""

from __future__ import annotations

import itertools

import numpy as np

from raysim.air import Climate
from raysim.results.data import Reflection, Result
from raysim.scene.data import Facet, Material, Mesh, Receiver, Scene, Source, Surface
from raysim.settings import Settings

BANDS = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0)
WIDTH, LENGTH, HEIGHT = 3.4, 4.2, 2.4
DESK = ((0.95, 0.45, 0.72), (2.45, 1.15, 0.75))
DECAY_TIMES_S = np.array([0.42, 0.35, 0.30, 0.28, 0.26, 0.24])
NAMES = ("left", "right", "front", "rear", "floor", "ceiling")


def box_facets(low, high, inside, names, first_surface, front, handedness):
    """Six rectangles of a box as facets and two triangles each, normals into the air."""
    low, high = np.array(low, float), np.array(high, float)
    facets, corners = [], []
    for number, (axis, at_high) in enumerate(itertools.product(range(3), (False, True))):
        normal = np.zeros(3)
        normal[axis] = (-1.0 if at_high else 1.0) * (1.0 if inside else -1.0)
        v = front if axis == 2 else np.array([0.0, 0.0, 1.0])
        u = handedness * np.cross(v, normal)
        middle = (low + high) / 2
        middle[axis] = (high if at_high else low)[axis]
        size = np.array([abs(u) @ (high - low), abs(v) @ (high - low)])
        origin = middle - u * size[0] / 2 - v * size[1] / 2
        loop = [
            origin,
            origin + u * size[0],
            origin + u * size[0] + v * size[1],
            origin + v * size[1],
        ]
        if np.cross(u, v) @ normal < 0:
            corners += [[loop[0], loop[2], loop[1]], [loop[0], loop[3], loop[2]]]
        else:
            corners += [[loop[0], loop[1], loop[2]], [loop[0], loop[2], loop[3]]]
        outline = np.array([[0, 0], [size[0], 0], size, [0, size[1]]])
        surface = first_surface + (number if len(names) > 1 else 0)
        label = names[number] if len(names) > 1 else f"{names[0]} {number + 1}"
        facets.append(
            Facet(label, surface, origin, u, v, normal, size, float(size.prod()), (outline,))
        )
    return facets, corners


def scene(handedness=-1, title="Linden (invented bedroom)", desk=True, seat="seat"):
    """The room; with handedness +1 it is the same room stored in right-handed axes."""
    flip = np.array([1.0, 1.0, 1.0]) if handedness < 0 else np.array([1.0, -1.0, 1.0])

    def at(*point):
        return np.array(point, float) * flip

    def spread(a, b):
        a, b = at(*a), at(*b)
        return np.minimum(a, b), np.maximum(a, b)

    front = at(0, -1, 0)
    names = NAMES if handedness < 0 else ("left", "right", "rear", "front", "floor", "ceiling")
    low, high = spread((0, 0, 0), (WIDTH, LENGTH, HEIGHT))
    facets, corners = box_facets(low, high, True, names, 0, front, handedness)
    surfaces = [Surface(n, 0 if n in ("floor",) else 1) for n in names]
    if desk:
        more, extra = box_facets(*spread(*DESK), False, ("desk",), 6, front, handedness)
        facets, corners = facets + more, corners + extra
        surfaces.append(Surface("desk", 2, owner="desk"))
    vertices = np.array(corners).reshape(-1, 3)
    facet_of = np.repeat(np.arange(len(facets)), 2)
    mesh = Mesh(
        vertices,
        np.arange(len(vertices)).reshape(-1, 3),
        np.array([facets[f].surface for f in facet_of]),
        facet_of,
        np.zeros(len(facet_of), bool),
    )
    seat_at = at(1.7, 1.64, 1.2)
    sources = []
    for name, x in (("Left", 1.1), ("Right", 2.3)):
        place = at(x, 0.6, 1.2)
        sources.append(Source(name, place, (seat_at - place) / np.linalg.norm(seat_at - place)))
    return Scene(
        title=title,
        mesh=mesh,
        surfaces=tuple(surfaces),
        facets=tuple(facets),
        materials=(
            _material("carpet on concrete", 0.05, 0.35),
            _material("plasterboard on studs", 0.22, 0.06),
            _material("desk board", 0.1, 0.05),
        ),
        sources=tuple(sources),
        receivers=(Receiver(seat, seat_at, front),),
        climate=Climate(),
        bands_hz=BANDS,
        volume=WIDTH * LENGTH * HEIGHT - (1.5 * 0.7 * 0.03 if desk else 0),
        front=front,
        handedness=handedness,
        notes=("The rear surface was not named: an unknown wall with a wide range is assumed.",),
        warnings=("The ears are at half the height of the room.",),
        text='title = "Linden (invented bedroom)"\n',
        path="linden.toml",
        mesh_sha256="0" * 64,
    )


def result(room=None, batches=16, noise=0.03, seed=1):
    """Exponential decays with batch noise, and all visible box reflections to second order."""
    room = room or scene()
    settings = Settings()
    bins = 600
    time = np.arange(bins) * settings.bin_s
    random = np.random.default_rng(seed)
    shape = (batches, 1, len(room.sources), len(room.receivers), len(BANDS), bins)
    slower = 1 + noise * random.standard_normal((*shape[:-1], 1))
    decay = 13.8155 / (DECAY_TIMES_S[:, None] * slower)
    tail = 60.0 * (1 - np.exp(-decay * settings.bin_s)) * np.exp(-decay * time)
    energy = tail * random.gamma(25, 1 / 25, shape)
    reflections = []
    for s, source in enumerate(room.sources):
        for r, receiver in enumerate(room.receivers):
            direct = float(np.linalg.norm(source.position - receiver.position))
            for path in paths(room, s, r, direct):
                reflections.append(path)
                k = int(path.delay_s / settings.bin_s)
                if k < bins:
                    energy[:, 0, s, r, :, k] += path.energy
    return Result(
        scene=room,
        settings=settings,
        variants=("as described",),
        image_order=2,
        time_s=time,
        energy_batches=energy,
        reflections=tuple(reflections),
        rounds=4,
        rays=131072,
        reflection_count=7_900_000,
        lost_rays=0,
        receiver_radius_m=np.full(len(room.receivers), 0.25),
        stopped_by="every T20 has a standard error of at most 1 %",
        duration_of_run_s=12.3,
        raysim_version="0.1.0",
        created="2026-01-01T12:00:00Z",
    )


def paths(room, source, receiver, direct):
    """Direct sound and reflections of order 1 and 2, tested against each rectangle only."""
    absorption = np.stack([m.absorption for m in room.materials])
    s, r = room.sources[source].position, room.receivers[receiver].position
    found = [_path(room, source, receiver, (), np.zeros((0, 3)), direct, direct, absorption)]
    count = len(room.facets)
    for order in (1, 2):
        for facets in itertools.product(range(count), repeat=order):
            if any(a == b for a, b in itertools.pairwise(facets)):
                continue
            points = _points(room, facets, s, r)
            if points is not None:
                legs = np.vstack([s, points, r])
                length = float(np.linalg.norm(np.diff(legs, axis=0), axis=1).sum())
                found.append(
                    _path(room, source, receiver, facets, points, length, direct, absorption)
                )
    return sorted(found, key=lambda p: p.length_m)


def _points(room, facets, s, r):
    images = [s]
    for f in facets:
        facet = room.facets[f]
        depth = (images[-1] - facet.origin) @ facet.normal
        if depth <= 1e-9:
            return None
        images.append(images[-1] - 2 * depth * facet.normal)
    target, points = r, []
    for f, image in zip(reversed(facets), reversed(images[1:]), strict=True):
        facet = room.facets[f]
        step = target - image
        share = ((facet.origin - image) @ facet.normal) / (step @ facet.normal)
        if not 0 < share < 1:
            return None
        target = image + share * step
        if np.any(facet.to_plane(target) < 0) or np.any(facet.to_plane(target) > facet.size):
            return None
        points.append(target)
    return np.array(points[::-1])


def _path(room, source, receiver, facets, points, length, direct, absorption):
    kept = np.ones(len(BANDS))
    for f in facets:
        kept = kept * (1 - absorption[room.surfaces[room.facets[f].surface].material]) * 0.95
    energy = 100 * kept / length**2
    last = points[-1] if len(points) else room.sources[source].position
    seat = room.receivers[receiver]
    arrives = (last - seat.position) / np.linalg.norm(last - seat.position)
    return Reflection(
        variant=0,
        source=source,
        receiver=receiver,
        facets=tuple(facets),
        points=points,
        length_m=length,
        delay_s=(length - direct) / room.climate.speed_of_sound,
        energy=energy,
        level_db=10 * np.log10(energy / (100 / direct**2)),
        azimuth_deg=float(
            np.degrees(np.arctan2(arrives @ room.right_of(seat.facing), arrives @ seat.facing))
        ),
        elevation_deg=float(np.degrees(np.arcsin(arrives[2]))),
    )


def _material(name, low, high):
    absorption = np.linspace(low, high, len(BANDS))
    return Material(
        name,
        absorption,
        np.linspace(0.05, 0.2, len(BANDS)),
        absorption * 0.6,
        np.minimum(absorption * 1.6, 1.0),
        "from memory",
    )
