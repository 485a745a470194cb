"""Clumsy hands: one sentence each, exit code 2, nothing written."""

from __future__ import annotations

import struct

import numpy as np
import pytest
import trimesh

from tests.cli.conftest import SCENE, assert_sentences, listing

SIZE = "size = [4.2, 3.4, 2.4]"
SEAT = "position = [1.70, 1.64, 1.20]"
LEFT = "position = [1.10, 0.60, 1.20]"
PLASTER = "absorption = [0.14, 0.10, 0.08, 0.07, 0.07, 0.07]"
DESK = "box = [[0.95, 0.45, 0.70], [2.45, 1.15, 0.75]]"

PANEL = (
    '[treatments.p]\nkind = "panel"\non = "{}"\nat = {}\nsize = [0.6, 1.2]\n'
    'layers = ["porous 100mm 12000"]\n'
)

# what a person does wrong: (text of the good scene, what stands there instead, what must be said)
SLIPS = {
    "millimetres typed as metres": (SIZE, "size = [4200, 3400, 2400]", ["room.size", "4200", "mm"]),
    "centimetres typed as metres": (SIZE, "size = [420, 340, 240]", ["room.size", "420", "cm"]),
    "decimal point lost": (SIZE, "size = [42, 3.4, 2.4]", ["room.size", "42 m", "4.2", "unusual"]),
    "decimal point moved": (SIZE, "size = [4.2, 0.34, 2.4]", ["room.size", "0.34 m", "3.4"]),
    "one length in centimetres": (SIZE, "size = [4.2, 340, 2.4]", ["room.size", '"340cm"']),
    "feet typed as metres": (SIZE, "size = [14, 12, 8]", ["room.size", '"14ft"', "4.27 x 3.66"]),
    "no height": (SIZE, "size = [4.2, 3.4, 0]", ["room.size", "0 is not more than 0"]),
    "negative size": (SIZE, "size = [4.2, -3.4, 2.4]", ["room.size", "-3.4", "positive"]),
    "two of three sizes": (SIZE, "size = [4.2, 3.4]", ["room.size", "2 values", "length, width"]),
    "seat inside the desk": (SEAT, "position = [1.70, 0.80, 0.72]", ["seat", "inside", "desk"]),
    "source outside the room": (
        LEFT,
        "position = [-0.30, 0.60, 1.20]",
        ["sources.left", "outside", "0.30 m"],
    ),
    "seat outside the room": (SEAT, "position = [1.70, 4.70, 1.20]", ["receivers.seat", "outside"]),
    "absorption above 1": (
        PLASTER,
        "absorption = [0.14, 0.10, 0.08, 0.07, 1.18, 0.07]",
        ["materials.plaster", "1.18", "edge", "chamber = true"],
    ),
    "chamber value of nowhere": (
        PLASTER,
        "absorption = [0.14, 0.10, 0.08, 0.07, 1.38, 0.07]\nchamber = true",
        ["materials.plaster", "1.38", "above 1.3", "mistyped"],
    ),
    "sample of a chamber in millimetres": (
        PLASTER,
        f"{PLASTER}\nchamber = [3000, 3600]",
        ["materials.plaster.chamber", "3000 x 3600 m", "0.3 to 10 m"],
    ),
    "negative absorption": (PLASTER, "absorption = -0.1", ["materials.plaster", "-0.1"]),
    "wrong number of bands": (
        PLASTER,
        "absorption = [0.14, 0.10, 0.08, 0.07, 0.07, 0.07, 0.07]",
        ["materials.plaster", "7 values", "6", "125"],
    ),
    "unknown key": (SIZE, f"{SIZE}\nheigth = 2.4", ["room.toml line 5", "heigth", "'height'"]),
    "misspelt key of a receiver": (
        SEAT,
        "postion = [1.70, 1.64, 1.20]",
        ["'postion'", "did you mean 'position'"],
    ),
    "decimal comma": (SIZE, 'size = ["4,2", 3.4, 2.4]', ["4,2", "4.2"]),
    "decimal comma without quotes": (SIZE, "size = [4,2, 3,4, 2,4]", ["6 values", "comma"]),
    "unknown material": (
        'floor = "heavy carpet on foam underlay"',
        'floor = "heavy carpet on foam underlai"',
        ["heavy carpet on foam underlai", "did you mean 'heavy carpet on foam underlay'"],
    ),
    "unknown surface": (
        "[objects.desk]",
        'cieling = "plaster"\n\n[objects.desk]',
        ["cieling", "ceiling"],
    ),
    "two sources of one name": ("[sources.right]", "[sources.left]", ["line", "left"]),
    "no receiver": (f"[receivers.seat]\n{SEAT}\n", "", ["receiver"]),
    "flat desk": (DESK, "box = [[0.95, 0.45, 0.75], [2.45, 1.15, 0.75]]", ["desk", "thick"]),
    "humidity of the desert": ("[room]", "[climate]\nhumidity_percent = 0\n[room]", ["humidity"]),
    "not a number": (SEAT, "position = [1.70, nan, 1.20]", ["receivers.seat"]),
    "treatment without a place": (
        "[room]",
        '[treatments.p]\nkind = "panel"\nmaterial = "window glass"\nthickness = 0.1\n[room]',
        ["treatments.p", "'at' and 'on' and 'size'"],
    ),
    "panel of an unknown kind": (
        "[room]",
        '[treatments.p]\nkind = "pannel"\n[room]',
        ["treatments.p.kind", "'pannel'", "panel"],
    ),
    "panel through the wall": (
        "[room]",
        PANEL.format("right", "[3.9, 0.5]") + "[room]",
        ["treatments.p.at", "0.30 m beyond", "'right' is 4.20 x 2.40 m"],
    ),
    "panel placed by words of nobody": (
        "[room]",
        PANEL.format("right", '"near the front"') + "[room]",
        ["treatments.p.at", "near the front", "isn't understood", "centred 1.12m"],
    ),
    "variant of an unknown treatment": (
        "[room]",
        '[treatments.p]\nkind = "screen"\nat = [1.4, 1.3, 0.9]\nsize = [0.6, 0.1, 0.6]\n'
        'layers = ["porous 50mm 12000"]\n[variants.v]\ntreatments = "pp"\n[room]',
        ["variants.v.treatments", "no treatment 'pp'", "did you mean 'p'?"],
    ),
    "misspelt layer": (
        PLASTER,
        'layers = ["porus 100mm 12000"]',
        ["materials.plaster.layers", "unknown layer 'porus'", "did you mean 'porous'?"],
    ),
    "gap in front": (
        PLASTER,
        'layers = ["gap 50mm", "porous 100mm 12000"]',
        ["materials.plaster.layers", "'gap 50mm' is in front of everything", "front first"],
    ),
    "layers as one text": (
        PLASTER,
        'layers = "porous 100mm 12000"',
        ["materials.plaster.layers", "is not a list", "list of texts"],
    ),
    "layers beside absorption": (
        PLASTER,
        f'{PLASTER}\nlayers = ["porous 100mm 12000"]',
        ["materials.plaster.absorption", "layers", "take one of the two out"],
    ),
    "layers of a model that doesn't reach": (
        PLASTER,
        'layers = ["porous 100mm 60000 by delany-bazley"]',
        ["materials.plaster.layers", "125", "250", "leave out 'by delany-bazley'"],
    ),
    "loudspeaker that isn't there": (
        LEFT,
        f'{LEFT}\nloudspeaker = "monitor"',
        ["sources.left.loudspeaker", "no loudspeaker 'monitor'", "[loudspeakers.NAME]"],
    ),
    "loudspeaker in metres": (
        "[sources.left]",
        '[loudspeakers.box]\ncabinet = [20, 30, 35]\ndrivers = "15cm"\n[sources.left]',
        ["loudspeakers.box", "35 m long", '"30cm"'],
    ),
    "negative gap": (
        DESK,
        "at = [1.0, 0.5, 0.7]\nsize = [1.5, -0.7, 0.05]",
        ["objects.desk", "-0.7", "positive"],
    ),
    "not TOML": (SIZE, "size = 4.2 x 3.4 x 2.4", ["room.toml", "line 4"]),
}


@pytest.mark.parametrize("slip", SLIPS, ids=lambda slip: slip.replace(" ", "-"))
def test_slip_is_named_in_one_sentence(raysim, folder, slip):
    good, bad, fragments = SLIPS[slip]
    assert good in SCENE
    (folder / "room.toml").write_text(SCENE.replace(good, bad, 1), encoding="utf-8")
    assert_refused(raysim, folder, "room.toml", fragments)


def test_all_complaints_at_once(raysim, folder):
    text = SCENE.replace(SIZE, f"{SIZE}\nheigth = 2.4").replace(PLASTER, "absorption = 1.18")
    (folder / "room.toml").write_text(text, encoding="utf-8")
    said = raysim("check", "room.toml").err.splitlines()
    assert len(said) == 2
    assert "heigth" in "".join(said)
    assert "1.18" in "".join(said)


def test_swapped_sizes_are_doubted_not_refused(raysim, folder):
    swapped = SCENE.replace(SIZE, "size = [2.4, 3.4, 4.2]").replace("1.64", "1.40")
    (folder / "room.toml").write_text(swapped, encoding="utf-8")
    outcome = raysim("check", "room.toml")
    assert outcome.code == 0
    assert "height" in outcome.out.split(" doubt", 1)[1]


def test_name_outside_ascii_works(raysim, folder):
    place = folder / "Übungsraum — 部屋"
    place.mkdir()
    text = SCENE.replace("Invented bedroom", "Erfundener Übungsraum 部屋")
    (place / "räum.toml").write_text(text, encoding="utf-8")
    output = place / "ergebnis ü.h5"
    assert (
        raysim(
            "run",
            place / "räum.toml",
            "-o",
            output,
            "--rays",
            "32",
            "--image-order",
            "1",
            "--no-bass",
        ).code
        == 0
    )
    reported = raysim("report", output, "-o", place / "bericht")
    assert reported.code == 0
    assert f"next: open {place / 'bericht/report.html'}" in reported.out
    assert "Erfundener Übungsraum 部屋" in (place / "bericht/report.html").read_text("utf-8")


FILES = {
    "missing file": (None, ["nowhere.toml"]),
    "empty file": (b"", ["empty"]),
    "binary garbage": (bytes(range(256)) * 8, ["UTF-8"]),
    "Latin-1": ('title = "Übungsraum"\n'.encode("latin-1"), ["UTF-8"]),
}


@pytest.mark.parametrize("slip", FILES, ids=lambda slip: slip.replace(" ", "-"))
def test_scene_file_that_is_none(raysim, folder, slip):
    content, fragments = FILES[slip]
    if content is not None:
        (folder / "nowhere.toml").write_bytes(content)
    assert_refused(raysim, folder, "nowhere.toml", ["nowhere.toml", *fragments])


def test_scene_path_is_a_folder(raysim, folder):
    (folder / "room").mkdir()
    assert_refused(raysim, folder, "room", ["room", "folder"])


def box(scale=1.0):
    """Box 4.2 x 3.4 x 2.4 with a corner in the origin, times `scale`."""
    made = trimesh.creation.box(extents=(4.2, 3.4, 2.4))
    made.apply_translation((2.1, 1.7, 1.2))
    made.apply_scale(scale)
    return made


def open_box():
    made = box()
    made.update_faces(np.arange(len(made.faces)) != 5)
    return made


def nan_stl():
    """Binary STL with one vertex that is not a number."""
    triangles = box().triangles.astype("<f4")
    triangles[3, 1, 0] = np.nan
    content = b"\0" * 80 + struct.pack("<I", len(triangles))
    for triangle in triangles:
        content += struct.pack("<3f", 0, 0, 0) + triangle.tobytes() + b"\0\0"
    return content


MESHES = {
    "open box": ("obj", lambda: open_box().export(file_type="obj").encode(), "", ["open", "near"]),
    "millimetres read as metres": (
        "stl",
        lambda: box(1000).export(file_type="stl"),
        'unit = "m"',
        ["mm"],
    ),
    "a vertex that is not a number": ("stl", nan_stl, "", ["not finite"]),
    "empty mesh": ("obj", lambda: b"# nothing\n", "", ["triangle"]),
    "empty file": ("stl", lambda: b"", "", ["empty"]),
    "garbage with stl suffix": ("stl", lambda: bytes(range(256)) * 9, "", ["room.stl"]),
    "garbage with obj suffix": ("obj", lambda: bytes(range(256)) * 9, "", ["room.obj"]),
    "garbage with glb suffix": ("glb", lambda: bytes(range(256)) * 9, "", ["room.glb"]),
    "garbage with ply suffix": ("ply", lambda: bytes(range(256)) * 9, "", ["room.ply"]),
    "missing mesh": ("obj", None, "", ["room.obj"]),
    "unknown suffix": ("xyz", lambda: b"nothing", "", ["room.xyz"]),
}


@pytest.mark.parametrize("slip", MESHES, ids=lambda slip: slip.replace(" ", "-"))
def test_mesh_that_cannot_be_a_room(raysim, folder, slip):
    suffix, content, more, fragments = MESHES[slip]
    if content is not None:
        (folder / f"room.{suffix}").write_bytes(content())
    write_mesh_scene(folder, f"room.{suffix}", more)
    assert_refused(raysim, folder, "room.toml", fragments)


def test_mesh_in_millimetres_without_unit_is_guessed_aloud(raysim, folder):
    box(1000).export(folder / "room.stl")
    write_mesh_scene(folder, "room.stl", "")
    outcome = raysim("check", "room.toml")
    assert (outcome.code, outcome.err) == (0, "")
    assert "mm" in outcome.out
    assert "34.3 m3" in outcome.out


def write_mesh_scene(folder, mesh, more):
    (folder / "room.toml").write_text(
        f"""\
[room]
mesh = "{mesh}"
up = "z"
{more}
[surfaces]
"*" = "concrete, painted"
[sources.left]
position = [1.0, 1.0, 1.2]
[receivers.seat]
position = [2.0, 2.0, 1.2]
""",
        encoding="utf-8",
    )


OPTIONS = {
    "rays and error": (["--rays", "1000", "--error", "2"], ["--error and --rays"]),
    "draft and error": (["--draft", "--error", "2"], ["--error and --draft"]),
    "no rays": (["--rays", "0"], ["rays"]),
    "error above all": (["--error", "99"], ["99", "50"]),
    "negative seed": (["--seed", "-1"], ["seed"]),
    "no thread": (["--threads", "0"], ["threads"]),
    "negative time": (["--time", "-5"], ["time"]),
    "image order": (["--image-order", "99"], ["image_order", "20"]),
    "bands that are none": (["--bands", "100", "110"], ["100", "110"]),
    "bands swapped": (["--bands", "4000", "125"], ["4000", "125"]),
    "variant": (["--variant", "after"], ["room.toml: ", "no variant 'after'", "base"]),
    "unknown option": (["--ray", "5"], ["--ray", "--rays"]),
    "text for a number": (["--rays", "many"], ["many"]),
    "missing previous result": (["--extend", "nothing.h5"], ["nothing.h5"]),
    "folder that does not exist": (["-o", "nowhere/room.h5"], ["nowhere", "does not exist"]),
    "a file for a folder": (["-o", "room.toml/room.h5"], ["room.toml", "not a folder"]),
    "a folder for a file": (["-o", "."], ["folder"]),
    "onto the scene": (["-o", "room.toml"], ["room.toml", "not a result"]),
}


@pytest.mark.parametrize("slip", OPTIONS, ids=lambda slip: slip.replace(" ", "-"))
def test_option_that_means_nothing(raysim, folder, scene, slip):
    options, fragments = OPTIONS[slip]
    assert_refused(raysim, folder, scene.name, fragments, *options)


@pytest.mark.parametrize(
    ("arguments", "fragments"),
    [
        (["rnu", "room.toml"], ["'rnu'", "did you mean 'run'?"]),
        (["compare", "room.h5"], ["room.h5", "no such file"]),
        (["run"], ["SCENE"]),
        (["init", "new", "--size", "4.2", "3,4", "2.4"], ["--size", "width", "3,4", "3.4"]),
        (["init", "new", "--size", "4.2", "-3.4", "2.4"], ["size", "width", "-3.4"]),
        (["materials", "show", "unknown wal"], ["did you mean 'unknown wall'?"]),
        (["materials", "list", "marzipan"], ["marzipan"]),
        (["report", "nothing.h5"], ["nothing.h5"]),
    ],
    ids=lambda value: "-".join(value[:2]) if isinstance(value, list) else "",
)
def test_command_that_means_nothing(raysim, folder, arguments, fragments):
    before = listing(folder)
    outcome = raysim(*arguments)
    assert outcome.code == 2
    assert_sentences(outcome, fragments)
    assert listing(folder) == before


def assert_refused(raysim, folder, scene, fragments, *options):
    """Both check and run refuse, with the same sentence, and leave nothing behind."""
    before = listing(folder)
    commands = [("run", scene, *options)] if options else [("check", scene), ("run", scene)]
    for command in commands:
        outcome = raysim(*command)
        assert outcome.code == 2, outcome
        assert_sentences(outcome, fragments)
        assert len(outcome.err.splitlines()) == 1, outcome.err
        assert listing(folder) == before
