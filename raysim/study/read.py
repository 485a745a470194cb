"""Study files read to Studies, with all complaints of a file at once (docs/formats/study.md)."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from raysim.errors import SettingsError
from raysim.scene.complaints import Complaints
from raysim.scene.data import Scene
from raysim.scene.read import load_scene
from raysim.scene.text import Kind, tables_of, text_of
from raysim.settings import Settings
from raysim.study import design
from raysim.study.design import Factor, Point
from raysim.study.paths import Tree, fault_of, parts_of
from raysim.study.schema import EffectsSection, FactorSection, StudyFile, read_study_file

MOST_RUNS = 1_000_000
TAKEN = re.compile(
    r"run|point|seed|seconds|variant|source|receiver|band|status|sentence|task|rays|lost_rays|"
    r"volume|schroeder_frequency|reason_text|(EDT|T20|T30|C50|C80|D50|Ts|G|curvature)(_.*)?"
)
STUDY = Kind(
    "study file",
    "give a study file",
    "save it as UTF-8",
    'write at least: scene = "room.toml"',
)
PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_]*")


@dataclass(frozen=True)
class Study:
    """What to compute.

    Attributes
    ----------
    path : Path
        Of the study file.
    text, title : str
    kind : str
        Of the design.
    design_seed : int
        Of a random design.
    tree : dict
        The scene file as TOML gives it.
    folder : Path
        Of the scene file; files it names are looked for in it.
    scene : Scene
        As the scene file says, before anything is changed.
    factors : tuple of Factor
    points : tuple of Point
    seeds : tuple of int
    variants : tuple of str
        Computed in every run.
    settings : Settings
    variants_a_trace : int
        How many variants points may share a trace of; 0 where each point has its own.
    keep_results : bool
    retries : int
    effects : EffectsSection or None
    """

    path: Path
    text: str
    title: str
    kind: str
    design_seed: int
    tree: Tree
    folder: Path
    scene: Scene
    factors: tuple[Factor, ...]
    points: tuple[Point, ...]
    seeds: tuple[int, ...]
    variants: tuple[str, ...]
    settings: Settings
    variants_a_trace: int
    keep_results: bool
    retries: int
    effects: EffectsSection | None

    @property
    def runs(self) -> int:
        """Every point with every seed."""
        return len(self.points) * len(self.seeds)

    def point_of(self, run: int) -> Point:
        """Values of the factors in a run; seeds change fastest."""
        return self.points[run // len(self.seeds)]

    def seed_of(self, run: int) -> int:
        """Seed of a run."""
        return self.seeds[run % len(self.seeds)]

    def describe(self, run: int) -> str:
        """'run 17 (thickness 100 mm, seed 2)'."""
        said = [
            f"{factor.name} {factor.label_of(value)}"
            for factor, value in zip(self.factors, self.point_of(run), strict=True)
        ]
        return f"run {run} ({', '.join([*said, f'seed {self.seed_of(run)}'])})"


def load_study(path: str | Path) -> Study:
    """Read a study file and the scene it names.

    Raises
    ------
    SceneError
        With every complaint about the study file, or else about the scene.
    """
    path = Path(path)
    text = text_of(path, STUDY)
    raw, complaints = tables_of(text, path, STUDY)
    file = read_study_file(raw, complaints)
    if not file.scene:
        complaints.add((), "'scene' is missing; give the name of a scene file")
        complaints.raise_any()
    scene_path = path.parent / file.scene
    scene = load_scene(scene_path)
    tree = tables_of(text_of(scene_path), scene_path)[0]
    factors = tuple(
        _factor(name, section, file.design.kind, tree, complaints)
        for name, section in file.factors.items()
    )
    settings = _settings(file, complaints)
    variants = _variants(file, scene, complaints)
    complaints.raise_any()
    points = _points(file, factors, complaints)
    complaints.raise_any()
    return Study(
        path=path,
        text=text,
        title=file.title or path.stem,
        kind=file.design.kind,
        design_seed=file.design.seed,
        tree=tree,
        folder=scene_path.parent,
        scene=scene,
        factors=factors,
        points=tuple(points),
        seeds=file.seeds,
        variants=variants,
        settings=settings,
        variants_a_trace=file.variants_a_trace if file.share_traces else 0,
        keep_results=file.keep == "results",
        retries=file.retries,
        effects=file.effects,
    )


def _factor(
    name: str, section: FactorSection, kind: str, tree: Tree, complaints: Complaints
) -> Factor:
    at = ("factors", name)
    if TAKEN.fullmatch(name) or not PLAIN.fullmatch(name):
        complaints.add(
            at, f"'{name}' can't name a column of the data; take letters, digits and _, no other "
            "name of the data set"
        )  # fmt: skip
    paths = tuple(parts_of(dotted) for dotted in section.path)
    for dotted, path in zip(section.path, paths, strict=True):
        fault = fault_of(tree, path)
        if fault:
            complaints.add((*at, "path"), f"'{dotted}': {fault}")
    given = [key for key in ("values", "range") if getattr(section, key) is not None]
    if kind == "list":
        for key in given:
            complaints.add((*at, key), "a list has its values in 'points'; take it out")
    elif len(given) != 1:
        complaints.add(at, "give either 'values', a list, or 'range' = [low, high]")
    elif given == ["range"] and kind == "grid":
        complaints.add((*at, "range"), "a grid needs 'values'; a range goes with a random design")
    values = section.values or ()
    labels = section.labels or tuple(design.shown(value) for value in values)
    if len(labels) != len(values) or len(set(labels)) != len(labels):
        complaints.add((*at, "labels"), f"give {len(values)} different labels, one a value")
        labels = tuple(f"{k}" for k in range(len(values)))
    return Factor(name, paths, values, labels, section.range)


def _settings(file: StudyFile, complaints: Complaints) -> Settings:
    given = {key: value for key, value in file.settings if value is not None}
    try:
        return replace(Settings(), **given)
    except SettingsError as error:
        complaints.add(("settings",), str(error))
        return Settings()


def _variants(file: StudyFile, scene: Scene, complaints: Complaints) -> tuple[str, ...]:
    known = tuple(variant.name for variant in scene.variants) or ("base",)
    for name in file.variants:
        if name not in known:
            complaints.add(
                ("variants",), f"the scene has no variant '{name}'; there are {', '.join(known)}"
            )
    return tuple(dict.fromkeys(file.variants)) or known


def _points(file: StudyFile, factors: tuple[Factor, ...], complaints: Complaints) -> list[Point]:
    wanted = file.design
    drawn = wanted.kind in ("random", "low-discrepancy")
    if drawn != (wanted.runs is not None):
        sentence = "give the number of points" if drawn else f"a {wanted.kind} has its own number"
        complaints.add(("design", "points" if drawn else "runs"), sentence)
        return []
    if (wanted.kind == "list") != bool(wanted.points):
        complaints.add(
            ("design", "points"), 'they are the values of kind = "list": [{ NAME = value }, ...]'
        )
        return []
    if not factors:
        return [()]
    if wanted.kind == "list":
        return _listed(wanted.points, factors, complaints)
    if wanted.kind == "grid":
        count = 1
        for factor in factors:
            count *= len(factor.values)
    else:
        count = wanted.runs or 0
    if count * len(file.seeds) > MOST_RUNS:
        complaints.add(("design",), f"{count * len(file.seeds):,} runs; at most {MOST_RUNS:,}")
        return []
    if wanted.kind == "grid":
        return design.grid(factors)
    draw = design.random if wanted.kind == "random" else design.low_discrepancy
    return draw(factors, count, wanted.seed)


def _listed(
    points: tuple[dict[str, Any], ...], factors: tuple[Factor, ...], complaints: Complaints
) -> list[Point]:
    names = [factor.name for factor in factors]
    for number, point in enumerate(points):
        if set(point) != set(names):
            complaints.add(
                ("design", "points"),
                f"point {number} has {', '.join(point) or 'nothing'}; give a value for each of "
                f"{', '.join(names)}",
            )
            return []
    return [tuple(point[name] for name in names) for point in points]
