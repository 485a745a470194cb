"""What README, guide and notebook say of studies works as typed, on a study made smaller."""

from __future__ import annotations

import json
import re
import shlex
import shutil

import pytest

from tests.cli.conftest import REPOSITORY, in_process
from tests.study_made import HereCrew, arrays, compute_here

FEWER = {  # of the study's text: the same factors, less of each
    "seeds = 5": "seeds = 2",
    "rays = 8192 ": "rays = 8192\nimage_order = 0\nduration_s = 0.7 ",
    '"", "slim_traps", "wide_traps"': '""',
    '"none", "30 cm", "50 cm"': '"none"',
    '["", "sides"]': '["sides"]',
    '["bare", "panels"]': '["panels"]',
    '["", "cloud"]': '[""]',
    '["none", "hung"]': '["none"]',
    "bands = [250, 500, 1000, 2000]": "bands = [1000]",
}


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A folder in which the guide's command has run."""
    place = tmp_path_factory.mktemp("documents")
    shutil.copytree(REPOSITORY / "scenes", place / "scenes")
    study = place / "scenes/rear_or_corners.toml"
    text = study.read_text("utf-8")
    for usual, fewer in FEWER.items():
        assert text.count(usual) == 1, usual
        text = text.replace(usual, fewer)
    study.write_text(text, encoding="utf-8")
    assert compute_here(study, place / "rear_or_corners_study") == 0
    return place


@pytest.mark.slow
def test_the_command_of_the_documents(monkeypatch, raysim, folder):
    from raysim.study.conduct import conduct

    asked = []
    monkeypatch.setattr("raysim.study.compute.local_crew", lambda *_anything: HereCrew())

    def none(plan, shelf, hire, *more):
        asked.append(plan.study)
        return conduct(plan, shelf, hire, *more[:1], lambda: True, None)

    monkeypatch.setattr("raysim.study.compute.conduct", none)
    shutil.copytree(REPOSITORY / "scenes", folder / "scenes")
    for page in ("README.md", "docs/guide/studies.md"):  # the second finds the first's folder
        text = (REPOSITORY / page).read_text("utf-8")
        commands = re.findall(r"^    raysim (study [^-\n]+)$", text, re.MULTILINE)
        assert commands, page
        for command in commands:
            assert raysim(*shlex.split(command)).code == 130
    assert asked[0].runs == 240
    assert (folder / "rear_or_corners_study").is_dir()


@pytest.mark.slow
def test_readme_snippet_as_typed(place):
    pytest.importorskip("xarray")
    text = (REPOSITORY / "README.md").read_text("utf-8")
    (snippet,) = (
        block
        for block in re.findall(r"^```python\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
        if "rear_or_corners_study" in block
    )
    assert len([line for line in snippet.splitlines() if line.strip()]) == 5
    done = in_process(snippet, cwd=place)
    assert done.returncode == 0, done.stderr
    assert re.search(r"rear +receiver source +\n", done.stdout)
    assert (
        len(re.findall(r"(?:left|right) +1000 +treated +0\.\d+ +\d\.\d+(?:e-\d+)?\n", done.stdout))
        == 8
    )


@pytest.mark.slow
def test_the_notebook_runs(place):
    pytest.importorskip("xarray")
    notebook = json.loads((REPOSITORY / "docs/guide/study.ipynb").read_text("utf-8"))
    cells = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]
    assert all(cell["outputs"] for cell in cells if "plt" not in "".join(cell["source"])[:6])
    code = "\n".join(["".join(cell["source"]) for cell in cells])
    done = in_process(code, cwd=place, env={"MPLBACKEND": "agg"})
    assert done.returncode == 0, done.stderr


@pytest.mark.slow
def test_the_format_page_names_every_dataset(place):
    page = (REPOSITORY / "docs/formats/study.md").read_text("utf-8")
    section = page[page.index("## study.h5") :]
    named = set(re.findall(r"`([\w/]+)`", section))
    factors = {"rear", "corners", "sides", "cloud"}
    for name in arrays(place / "rear_or_corners_study/study.h5"):
        plain = re.sub(r"_(standard_error|reason)$", "", name)
        assert name in factors or plain in named or name in named, name
    assert "cost/seconds" in named


def test_the_format_page_names_every_key():
    from raysim.study import schema

    page = (REPOSITORY / "docs/formats/study.md").read_text("utf-8")
    for section in (
        schema.StudyFile,
        schema.DesignSection,
        schema.FactorSection,
        schema.SettingsSection,
        schema.EffectsSection,
    ):
        for key in section.model_fields:
            assert f"`{key}`" in page or f"`[{key}]`" in page or f"`[{key}.NAME]`" in page, key


@pytest.mark.slow
def test_every_number_has_label_and_unit(place):
    xarray = pytest.importorskip("xarray")
    data = xarray.open_dataset(place / "rear_or_corners_study/study.h5", engine="h5netcdf")
    for name, variable in data.variables.items():
        assert variable.attrs["long_name"], name
        assert "units" in variable.attrs or "units" in variable.encoding, name
    assert set(data.coords) >= {"rear", "corners", "sides", "cloud", "seed", "point"}
    assert not data["T20"]._in_memory  # opened lazily
    assert data["T20"].dims == ("run", "variant", "source", "receiver", "band")
    assert (data["T20_standard_error"].sel(band=1000) > 0).all()


@pytest.mark.slow
def test_methods_say_what_was_done(place):
    text = (place / "rear_or_corners_study/methods.md").read_text("utf-8")
    for said in (
        "4 design points (grid) with 2 seeds (1, 2) make 8 runs",
        "rear (treatments.rear.layers: 25 mm, 50 mm, 100 mm, 200 mm)",
        "8,192 rays a source",
        "2 sources, 1 receiver",
        "No run failed.",
        "Holm, S. (1979)",
        "raysim 0.1.0",
    ):
        assert said in text, said
