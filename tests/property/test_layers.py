"""Whatever is stacked: energy is conserved, texts say what was meant, bad texts are refused."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as some

from raysim.air import Climate
from raysim.errors import SceneError
from raysim.surfaces.construction import octave_absorption
from raysim.surfaces.grammar import EXAMPLES, parse_layers

CLIMATE = Climate()
FREQUENCIES = np.geomspace(20.0, 20000.0, 40)
COSINES = np.concatenate([[0.0, 1e-6], np.linspace(0.01, 1.0, 25)])


def numbers(low, high):
    return some.floats(np.log(low), np.log(high)).map(lambda x: f"{np.exp(x):.6g}")


def joined(*parts):
    return some.tuples(*parts).map(lambda words: " ".join(word for word in words if word))


PARTITIONED = some.sampled_from(["", "partitioned"])
MODEL = some.sampled_from(["", "by allard-champoux", "by miki"])
MM = numbers(0.1, 400).map(lambda x: f"{x}mm")
OPEN = numbers(0.1, 60).map(lambda x: f"open {x}%")
POROUS = some.one_of(
    joined(some.just("porous"), MM, numbers(500, 1e6), MODEL, PARTITIONED),
    joined(some.just("porous"), MM, some.just("glass wool 30kg/m3")),
    joined(
        some.just("porous"),
        MM,
        numbers(500, 1e6),
        some.sampled_from(
            [
                "porosity 0.98 tortuosity 1.03 lengths 200um 380um",
                "porosity 0.7 tortuosity 2.5 lengths 10um 20um",
            ]
        ),
    ),
)
THIN = numbers(0.1, 30).map(lambda x: f"{x}mm")
SHEET = some.one_of(
    joined(some.just("perforated"), THIN, some.just("holes"), THIN, OPEN),
    joined(some.just("slotted"), THIN, some.just("slots"), THIN, OPEN),
    numbers(0.01, 50).map(lambda m: f"membrane {m}kg/m2"),
    numbers(0.01, 50).map(lambda m: f"membrane {m}kg/m2 loss 0"),
    numbers(1, 1e5).map(lambda r: f"fabric {r}"),
    numbers(1, 1e5).map(lambda r: f"fabric {r} 0.2kg/m2"),
    joined(some.just("film"), numbers(5, 500).map(lambda x: f"{x}um")),
)
GAP = joined(some.just("gap"), MM, PARTITIONED)


@some.composite
def stacks(draw):
    """Texts of one to five layers that can be built."""
    texts = draw(some.lists(some.one_of(POROUS, SHEET), min_size=1, max_size=4))
    if draw(some.booleans()):
        texts = [*texts, "open"]
    elif draw(some.booleans()) or not texts[-1].startswith("porous"):
        texts = [*texts, draw(GAP)]
    return texts


@settings(max_examples=150, deadline=None, derandomize=True)
@given(stacks())
def test_no_stack_gives_energy_back(texts):
    """0 <= alpha <= 1 at 40 frequencies and 27 angles, to rounding in 1 - |R|2."""
    alpha = parse_layers(texts, "layers").absorption(FREQUENCIES, COSINES, CLIMATE)
    assert np.isfinite(alpha).all()
    assert alpha.min() >= -1e-12
    assert alpha.max() <= 1 + 1e-12


@settings(max_examples=50, deadline=None, derandomize=True)
@given(stacks())
def test_texts_are_kept_and_read_alike(texts):
    once = parse_layers(texts, "layers")
    assert parse_layers(once.texts, "again") == once


def test_thin_dense_felt_shows_why_mikis_modulus_is_mended():
    """1 mm of 1e6 Pa s/m2 at 63 Hz: the printed fit absorbs less than nothing."""
    f, sigma, d = 63.0, 1e6, 1e-3
    air = CLIMATE.air
    x = f / sigma
    z = air.impedance * (1 + (0.0699 - 0.107j) * x**-0.632)
    k = 2 * np.pi * f / air.speed_of_sound * (1 + (0.109 - 0.160j) * x**-0.618)
    surface = -1j * z / np.tan(k * d) / air.impedance
    assert 1 - abs((surface - 1) / (surface + 1)) ** 2 < 0
    felt = parse_layers(["porous 1mm 1000000"], "layers")
    assert 0 <= felt.normal_incidence([f], CLIMATE)[0] < 1e-3


def test_a_heavier_front_takes_no_more_treble():
    films = [parse_layers([f"film {t}um", "porous 50mm 12000"], "layers") for t in (10, 50, 200)]
    treble = [octave_absorption(one, [4000], CLIMATE)[0] for one in films]
    assert treble == sorted(treble, reverse=True)


TYPED = "100mm -5mm 12000 0 5 holes 10% kg/m3 40kg/m3 by miki loss foam wool glass every nan 5,5mm"
WORDS = some.sampled_from([*EXAMPLES, *TYPED.split(), "1e999", "½", ""])


def refusals(texts):
    """Complaints about texts, none if they can be built."""
    try:
        parse_layers(texts, "layers")
    except SceneError as error:
        return error.complaints
    return []


@settings(max_examples=300, deadline=None, derandomize=True)
@given(some.lists(some.lists(WORDS, max_size=6).map(" ".join) | some.text(max_size=15), max_size=4))
def test_whatever_is_typed_is_built_or_refused_in_a_sentence(texts):
    said = refusals(texts)
    assert all(line.startswith("layers: ") for line in said)
    assert said or texts
