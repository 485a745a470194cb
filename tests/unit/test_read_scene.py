import re
from pathlib import Path

import numpy as np
import pytest

from raysim.errors import SceneError
from raysim.scene.check import examine
from raysim.scene.read import load_scene
from raysim.scene.schema import SceneFile, keys_of, sections

ROOT = Path(__file__).parents[2]
FORMAT = (ROOT / "docs/formats/scene.md").read_text(encoding="utf-8")

ROOM = "[room]\nsize = [4.2, 3.4, 2.4]\n"
PLACES = (
    "[sources.left]\nposition = [1.1, 0.6, 1.2]\n[receivers.seat]\nposition = [1.7, 1.64, 1.2]\n"
)


@pytest.fixture
def load(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def load(text, **more):
        Path("room.toml").write_bytes(text if isinstance(text, bytes) else text.encode())
        return load_scene("room.toml", **more)

    return load


def complaints(load, text, **more):
    with pytest.raises(SceneError) as error:
        load(text, **more)
    return error.value.complaints


def example():
    return re.search(r"```toml\n(.*?)```", FORMAT, re.DOTALL)[1]


def test_four_numbers_are_a_scene_with_wide_ranges(load):
    scene = load(ROOM + PLACES)
    assert scene.volume == pytest.approx(34.272)
    wall = scene.materials[scene.surfaces[0].material]
    assert wall.name == "unknown wall"
    assert (wall.absorption_low[0], wall.absorption_high[0]) == (0.05, 0.30)
    assert any("a knock test narrows it" in note for note in scene.notes)
    assert scene.handedness == -1
    # one source to the left of the seat: the head turns, the room's front stays
    assert scene.front.tolist() == [0, -1, 0]
    assert scene.receivers[0].facing[0] == pytest.approx(-0.6 / np.hypot(0.6, 1.04))
    np.testing.assert_allclose(scene.right_of(scene.front), (1, 0, 0), atol=1e-12)


def test_defaults_of_directions(load):
    scene = load(ROOM + PLACES + "[sources.right]\nposition = [2.3, 0.6, 1.4]\n")
    np.testing.assert_allclose(scene.receivers[0].facing, (0, -1, 0), atol=1e-12)
    for source in scene.sources:
        apart = scene.receivers[0].position - source.position
        np.testing.assert_allclose(source.aim, apart / np.linalg.norm(apart))
    assert scene.receivers[0].zone.tolist() == [0.15] * 3
    assert (scene.climate.temperature_c, scene.climate.humidity_percent) == (20, 50)


@pytest.mark.parametrize("name", ["linden", "ell"])
def test_shipped_rooms_load(name):
    scene = load_scene(ROOT / "scenes" / f"{name}.toml")
    assert "invented" in scene.title
    assert scene.warnings == ()


def test_tolerance_is_that_of_a_tape_only():
    assert load_scene(ROOT / "scenes/linden.toml").tolerance_m == 0.01
    assert load_scene(ROOT / "scenes/control_room.toml").tolerance_m is None


def test_linden_reflects_off_its_desk_where_it_should():
    # the image of the left source in z = 0.75 meets the desk half way, at (1.40, 1.12)
    scene = load_scene(ROOT / "scenes/linden.toml")
    source, seat = scene.sources[0].position, scene.receivers[0].position
    np.testing.assert_allclose((source + seat) / 2, (1.40, 1.12, 1.20))
    (top,) = [f for f in scene.facets if f.name.startswith("desk") and f.normal[2] > 0.9]
    low, high = top.origin, top.origin + top.size[0] * top.u + top.size[1] * top.v
    assert (np.minimum(low, high)[:2] < (1.40, 1.12)).all()
    assert (np.maximum(low, high)[:2] > (1.40, 1.12)).all()
    assert low[2] == pytest.approx(0.75)


def test_bands_can_be_overridden(load):
    text = ROOM + PLACES + "[materials.w]\nabsorption = [0.1, 0.2, 0.3, 0.4, 0.5, 0.6]\n"
    text += 'scattering = 0.1\n[surfaces]\nleft = "w"\n'
    scene = load(text, bands=(250, 1000))
    assert scene.bands_hz == (250, 500, 1000)
    left = scene.materials[scene.surfaces[[s.name for s in scene.surfaces].index("left")].material]
    assert left.absorption.tolist() == [0.2, 0.3, 0.4]
    (sentence,) = complaints(load, text, bands=(63, 1000))
    assert "no value for 63 Hz" in sentence


def test_own_range_and_reference(load):
    scene = load(
        ROOM + PLACES + '[materials.w]\nfrom = "brick"\nrange = [0, 0.2]\nreference = "seen"\n'
        '[surfaces]\n"*" = "w"\n'
    )
    (material,) = scene.materials
    assert material.absorption[0] == 0.03
    assert material.absorption_high.tolist() == [0.2] * 6
    assert material.source.endswith("; seen")


def test_an_exact_name_goes_before_a_pattern(load):
    scene = load(ROOM + PLACES + '[surfaces]\n"*" = "brick"\nfloor = "concrete floor"\n')
    names = {s.name: scene.materials[s.material].name for s in scene.surfaces}
    assert names.pop("floor") == "concrete floor"
    assert set(names.values()) == {"brick"}


def test_an_opening_is_said_to_be_one(load):
    text = ROOM + PLACES + '[patches.way]\non = "rear"\nat = [0.5, 0]\nsize = [0.9, 2.05]\n'
    scene = load(text + 'material = "opening to another room"\n')
    assert any("the space beyond isn't modelled" in note for note in scene.notes)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "\n\n\n[room]\nsize = [4.2, 3.4, 2.4]\nheigth = 2.4\n" + PLACES,
            "room.toml line 6: unknown key 'heigth', did you mean 'height'?",
        ),
        (
            ROOM + PLACES.replace("position", "postion", 1),
            "room.toml line 4: unknown key 'postion', did you mean 'position'?",
        ),
        (
            ROOM + PLACES + "[materials.carpet]\nabsorption = [0,0,0,0,0,0,0]\n",
            "room.toml line 8: materials.carpet.absorption: 7 values for 6 octave bands "
            "(125 … 4000 Hz); give one number, or one each for 125, 250, 500, 1000, 2000, 4000 Hz",
        ),
        (
            ROOM + PLACES + "[materials.p]\nabsorption = 1.18\n",
            "room.toml line 8: materials.p.absorption: 1.18 is above 1; chamber values above 1 "
            "come from the edges of the sample (edge effect), which a wall doesn't have: "
            "write 'chamber = true' beside them to have all bands reduced for it, or give at most "
            "1.00",
        ),
        (
            ROOM + PLACES + "[materials.p]\nabsorption = 18\n",
            "room.toml line 8: materials.p.absorption: 18 is above 1; "
            "if it is in percent, write 0.18",
        ),
        (
            ROOM + PLACES + '[surfaces]\nleft = "gypsum bord 13 mm on studs"\n',
            "room.toml line 8: surfaces.left: unknown material 'gypsum bord 13 mm on studs', "
            "did you mean 'gypsum board 13 mm on studs'?",
        ),
        (
            ROOM + PLACES + '[surfaces]\nlfet = "brick"\n',
            "room.toml line 8: surfaces.lfet: there is no surface 'lfet', did you mean 'left'?",
        ),
        (
            ROOM + PLACES + "[sources.left]\nposition = [1, 1, 1]\n",
            "room.toml line 7: 'sources.left' is given twice; give each name once, rename one",
        ),
        (
            "[room]\noutline = [[0,0],[4,0],[4,3]]\nheight = 2,4\n" + PLACES,
            "room.toml line 3: '2,4' has a decimal comma; write a point, 2.4",
        ),
        (
            '[room]\nsize = ["4,2", 3.4, 2.4]\n' + PLACES,
            "room.toml line 2: room.size: '4,2' has a comma; write a decimal point, '4.2'",
        ),
        (
            "[room]\nsize = [4,2, 3,4, 2,4]\n" + PLACES,
            "room.toml line 2: room.size: 6 values; a decimal comma splits a number in two; "
            "give 3: [length, width, height]",
        ),
        (
            "[room]\nsize = [4200, 3400, 2400]\n" + PLACES,
            "room.toml line 2: room.size: the room would be 4200 x 3400 x 2400 m; did you mean mm? "
            'write lengths as "4200mm" (then 4.20 x 3.40 x 2.40 m)',
        ),
        (
            ROOM + PLACES.replace("1.1, 0.6", "3.9, 0.6"),
            "room.toml line 3: sources.left: (3.90, 0.60, 1.20) m lies 0.50 m outside the room, "
            "beyond 'right'; the nearest point inside is (3.35, 0.60, 1.20) m; "
            "were length and width swapped? size is [length, width, height]",
        ),
        (
            ROOM + PLACES + "[objects.desk]\nbox = [[1.2, 1.3, 0], [2.2, 2, 1.3]]\n",
            "room.toml line 5: receivers.seat: (1.70, 1.64, 1.20) m lies inside 'desk', "
            "0.10 m deep; the nearest point in the air is (1.70, 1.64, 1.35) m",
        ),
        (
            ROOM + PLACES.replace("1.1, 0.6", "0.01, 0.6"),
            "room.toml line 3: sources.left: (0.01, 0.60, 1.20) m is 10 mm from 'left'; "
            "keep it at least 20 mm off, for example at (0.05, 0.60, 1.20) m",
        ),
        (
            ROOM + PLACES + "[objects.d]\nat = [1, 1, 1]\nsize = [1, -1, 1]\n",
            "room.toml line 9: objects.d.size: -1 is not more than 0; a size is positive",
        ),
        (
            ROOM + PLACES + "[treatments.p]\npattern = 'rear wall'\nmaterial = 'fog'\n",
            "room.toml line 9: treatments.p.material: unknown material 'fog'; "
            "'raysim materials list' shows them",
        ),
        (
            ROOM + PLACES + "[materials.p]\nlayers = ['porous 100mm 120']\n",
            "room.toml line 8: materials.p.layers: 'porous 100mm 120': a flow resistivity of 120 "
            "Pa s/m2 is outside 500 to 1000000; wools and foams have 2000 to 80000",
        ),
        (
            ROOM,
            "room.toml: there are no sources; give at least one, for example [sources.left] with "
            "position = [1.1, 0.6, 1.2]",
        ),
        (PLACES, "room.toml: there is no [room]; give one with size = [length, width, height]"),
        (
            ROOM + PLACES + "[climate]\ntemperature_c = 290\n",
            "room.toml line 8: climate.temperature_c: 290 °C is outside -10 to 45 °C",
        ),
        (
            "[room]\nmesh = 'room.obj'\n" + PLACES,
            "room.toml line 2: room.mesh: room.obj does not exist; "
            "give the mesh file's path from the scene file",
        ),
        (
            "[room]\nheight = 2.4m\n",
            'room.toml line 2: a length with a unit is written in quotes: "2.4m"',
        ),
        ("", "room.toml: it is empty; 'raysim init' writes a scene to start from"),
        (
            b"[room]\ntitle = '\xe9'\n",
            "room.toml line 2: it is not UTF-8 text; save it as UTF-8 (a mesh goes in room.mesh)",
        ),
        (
            "bands = [100, 4000]\n" + ROOM + PLACES,
            "room.toml line 1: bands: 100 to 4000 Hz; give the lowest and the highest of "
            "63, 125, 250, 500, 1000, 2000, 4000, 8000 Hz",
        ),
        (
            ROOM + PLACES + "aim = 'seat'\n",
            "room.toml line 7: unknown key 'aim' in [receivers.seat]; "
            "known are position, facing, zone",
        ),
        (
            ROOM + PLACES + "facing = 'lefft'\n",
            "room.toml line 7: receivers.seat.facing: there is no 'lefft', did you mean 'left'?",
        ),
        (
            ROOM
            + PLACES
            + "[keep_clear.w]\non = 'left'\nat = [4, 0]\nsize = [1, 1]\nreason = 'w'\n",
            "room.toml line 7: keep_clear.w: it reaches beyond 'left', which is 4.20 x 2.40 m; "
            "give 'at' and 'size' within it",
        ),
    ],
)
def test_a_fault_is_one_sentence_with_line_and_remedy(load, text, sentence):
    assert sentence in complaints(load, text)


def test_all_faults_of_a_file_come_at_once_in_its_order(load):
    text = (
        ROOM.replace("3.4", "-3")
        + "[materials.a]\nabsorption = [0.1]\nscattering = 2\n[surfaces]\nleft = 'nonesuch'\n"
        + PLACES.replace("0.6", "'six'")
    )
    found = complaints(load, text)
    assert [int(re.search(r"line (\d+)", c)[1]) for c in found] == [2, 5, 7, 9]


def test_places_that_cannot_be_read(tmp_path):
    with pytest.raises(SceneError, match="there is no such file"):
        load_scene(tmp_path / "none.toml")
    with pytest.raises(SceneError, match="it is a folder"):
        load_scene(tmp_path)
    with pytest.raises(SceneError, match="it cannot be read"):
        load_scene("a\0b.toml")


def test_names_outside_ascii_are_welcome(tmp_path):
    place = tmp_path / "Café Ø.toml"
    place.write_text(ROOM + PLACES.replace("seat", '"Sofa für zwei"'), encoding="utf-8")
    scene = load_scene(place)
    assert scene.receivers[0].name == "Sofa für zwei"
    assert scene.path == "Café Ø.toml"


def test_a_small_room_says_what_it_does_not_claim(load):
    # room R7: 1.6 x 1.9 x 2.3 m
    text = "[room]\nsize = [1.9, 1.6, 2.3]\n[sources.a]\nposition = [0.5, 0.5, 1.2]\n"
    scene = load(text + "[receivers.b]\nposition = [1, 1, 1.4]\n")
    assert any("below the stated range" in w for w in scene.warnings)
    assert any("higher (2.3 m)" in w for w in scene.warnings)


@pytest.mark.parametrize(
    ("size", "said"),
    [
        ("3.0, 3.0, 3.0", "length, width and height are alike (3, 3, 3 m)"),
        ("4.0, 3.85, 2.5", "length and width are alike (4, 3.85 m)"),
        ("4.0, 3.7, 2.5", None),
    ],
)
def test_sides_alike_are_a_doubt(load, size, said):
    text = f"[room]\nsize = [{size}]\n[sources.a]\nposition = [0.5, 0.5, 1.1]\n"
    scene = load(text + "[receivers.b]\nposition = [1, 1, 1.4]\n")
    assert [w.partition(":")[0] for w in scene.warnings] == ([said] if said else [])


def test_examine_says_what_is_wrong_with_a_layout(load):
    text = ROOM + (
        "[sources.left]\nposition = [1.1, 0.6, 1.2]\n[sources.right]\nposition = [2.5, 0.6, 1.2]\n"
        "[receivers.middle]\nposition = [1.7, 2.1, 1.2]\n"
        "[receivers.rear]\nposition = [1.5, 4.0, 1.5]\n"
        "[objects.screen]\nbox = [[1.0, 1.0, 0.9], [1.9, 1.1, 1.5]]\n"
    )
    doubts = "\n".join(f.sentence for f in examine(load(text)) if f.kind == "doubt")
    for said in (
        "'middle' is near half the length of the room (2.10 of 4.20 m)",
        "near 41 Hz",
        "'middle' has its ears near half the height (1.20 of 2.40 m)",
        "near 72 Hz",
        "'rear' is 0.20 m from what is behind it",
        "'middle' is 1.62 m from 'left' but 1.70 m from 'right'",
        "'rear' has 'left' 1.51 m to the left but 'right' 1.91 m to the right",
        "'screen' stands between 'left' and 'middle'",
    ):
        assert said in doubts
    assert "'rear' has its ears near half" not in doubts
    assert "'rear' is near half" not in doubts


@pytest.mark.parametrize(
    ("ear", "said"),
    [
        (1.075, "is hardly heard there"),
        (1.2, "is 12 dB weaker there than over the room"),
        (1.23, ""),
    ],
)
def test_ears_and_loudspeakers_near_half_the_height(load, ear, said):
    """c/2H is 79.8 Hz in 2.15 m; √2 |cos(π 1.20/2.15)| is 0.256, -11.8 dB, and 0.317 at 1.23 m."""
    text = "[room]\nsize = [5.6, 3.9, 2.15]\n[sources.a]\nposition = [1.9, 0.6, 1.1]\n"
    text += "[sources.b]\nposition = [2.0, 0.6, 1.5]\n"
    scene = load(text + f"[receivers.mix]\nposition = [1.95, 2.1, {ear}]\n")
    doubts = [f.sentence for f in examine(scene) if f.kind == "doubt"]
    ears = [s for s in doubts if "has its ears" in s]
    start = f"'mix' has its ears near half the height ({ear:.2f} of 2.15 m): the first mode from "
    assert ears == ([f"{start}floor to ceiling, near 80 Hz, {said}"] if said else [])
    [low] = [s for s in doubts if s.startswith("near half the height")]
    assert "'a' 1.10 of 2.15 m:" in low
    assert "near 80 Hz, is hardly driven" in low


@pytest.mark.parametrize(
    ("thing", "zone", "is_said"),
    [
        ("[[0.3, 3.5, 0], [1.2, 3.9, 0.8]]", "depth = 0.8", True),
        ("[[0.3, 3.3, 0], [1.2, 3.5, 0.8]]", "depth = 0.6", False),
        ("[[0.3, 3.5, 0], [1.2, 3.9, 0.8]]", "", False),
        ("[[0.3, 3.5, 0], [1.2, 3.9, 0.8]]", 'swing = "left"', True),
        ("[[0.2, 3.7, 0], [1.3, 4.2, 2.2]]", "", True),  # a wardrobe before the whole door
    ],
)
def test_things_before_a_door_are_a_doubt(load, thing, zone, is_said):
    text = ROOM + PLACES + f'[objects.sofa]\nbox = {thing}\n[keep_clear.door]\non = "rear"\n'
    scene = load(text + f'at = [2.2, 0]\nsize = [0.9, 2]\nreason = "door, way out"\n{zone}\n')
    said = [one for one in scene.warnings if "'sofa' stands in the keep-clear zone 'door'" in one]
    assert len(said) == is_said


def test_the_documented_example_loads(load):
    scene = load(example())
    assert scene.bands_hz == (125, 250, 500, 1000, 2000, 4000)
    panel = next(m for m in scene.materials if m.name == "my_panel")
    assert panel.absorption_high.tolist() == [1.0] * 6
    assert panel.source == "a maker's test report"


def test_every_key_is_documented():
    parts = dict(re.findall(r"^## \[?([a-z_]+).*?\n(.*?)(?=^## |\Z)", FORMAT, re.DOTALL | re.M))
    for name, section in sections().items():
        for key in keys_of(section):
            assert f"`{key}`" in parts[name], f"{name}.{key}"
    for key in keys_of(SceneFile):
        assert key in FORMAT
