"""What `raysim check` says of treatments: what each holds, and the cautions that it calls for."""

from raysim.scene.cautions import cautions
from raysim.scene.shopping import sentences
from tests.treated import ROOM, TRAPS, bedroom, panel


def test_check_lists_variants_and_cautions(tmp_path):
    more = panel("p", "left", "[3.0, 0.5]", "cost = 50") + TRAPS
    scene = bedroom(tmp_path, more)
    said = sentences(scene)
    assert said[0] == "variant 'base': the room without treatments"
    assert "8 pieces, 0.72 m2 covered" in said[1]
    assert "50 to spend and cost of 7 not known" in said[1]
    assert any(s.startswith("p: panel 0.60 x 1.20 m, 100 mm thick, drilled, 2.9 kg") for s in said)
    heads = [s.split(":")[0] for s in cautions(scene)]
    assert heads[:5] == ["fire", "mineral fibre", "overhead", "tipping", "drilling"]
    weight = sum(t.weight_kg for t in scene.treatments if t.kind in ("cloud", "edge trap"))
    assert any(f"({weight:.1f} kg, frame" in s for s in cautions(scene))
    over = next(s for s in cautions(scene) if s.startswith("overhead"))
    above = [t for t in scene.treatments if t.kind in ("cloud", "edge trap")]
    lowest = min(t.corners[:, 2].min() for t in above)
    assert f"headroom, {lowest:.2f} m at the lowest" in over
    assert cautions(bedroom(tmp_path)) == []
    assert not any("foam" in s for s in cautions(scene))


def test_foam_is_named_a_fire_hazard(tmp_path):
    foam = panel("p", "left", "[3.0, 0.5]").replace(
        'material = "wool"', 'layers = ["porous 50mm foam 8000"]'
    )
    said = cautions(bedroom(tmp_path, foam))
    assert any(s.startswith("fire: 'p' is foam: never bedding") for s in said)
    assert not any(s.startswith("mineral") for s in said)


def test_wool_against_masonry_calls_for_a_word_on_damp(tmp_path):
    on_wall = panel("p", "left", "[3.0, 0.5]")
    solid = ROOM.replace('"*" = ', 'left = "concrete, painted"\n"*" = ')
    assert any(s.startswith("damp: 'p' ") for s in cautions(bedroom(tmp_path, on_wall, solid)))
    elsewhere = panel("p", "rear", "[1.5, 0.5]")
    for dry in (bedroom(tmp_path, on_wall), bedroom(tmp_path, elsewhere, solid)):
        assert not any(s.startswith("damp") for s in cautions(dry))
