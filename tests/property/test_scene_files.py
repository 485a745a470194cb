"""Whatever is done to a scene file, it loads or is refused in sentences."""

import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from raysim.errors import SceneError
from raysim.scene.lines import key_lines
from raysim.scene.read import load_scene

ROOT = Path(__file__).parents[2]
TEXTS = [
    re.search(r"```toml\n(.*?)```", (ROOT / "docs/formats/scene.md").read_text("utf-8"), re.DOTALL)[
        1
    ],
    (ROOT / "scenes/linden.toml").read_text("utf-8"),
    (ROOT / "scenes/ell.toml").read_text("utf-8"),
]
TOKEN = re.compile(r"-?[0-9.]+|\"[^\"]*\"|[A-Za-z_]+|[^\sA-Za-z0-9]")
STRANGE = [
    "-1",
    "0",
    "1e300",
    "nan",
    "inf",
    "9999",
    "0.001",
    '"x"',
    '"3,42"',
    "[]",
    "true",
    "{}",
    "=",
    "2024-01-01",
    "[[0,0],[1,0],[1,1]]",
    '"*"',
    '"11ft2in"',
    "\n",
    "\x00",
    "é",
]
STRANGE += [token for text in TEXTS for token in sorted(set(TOKEN.findall(text)))]


@st.composite
def mutated(draw):
    text = draw(st.sampled_from(TEXTS))
    for _ in range(draw(st.integers(1, 3))):
        if draw(st.booleans()):
            lines = text.split("\n")
            k = draw(st.integers(0, len(lines) - 1))
            other = draw(st.sampled_from([[], [lines[k]] * 2, [lines[k - 1]]]))
            text = "\n".join([*lines[:k], *other, *lines[k + 1 :]])
        else:
            found = list(TOKEN.finditer(text))
            if found:
                at = draw(st.sampled_from(found))
                new = draw(st.sampled_from(STRANGE))
                text = text[: at.start()] + new + text[at.end() :]
    return text


@given(mutated())
@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_any_change_loads_or_is_refused_in_sentences(tmp_path, text):
    place = tmp_path / "room.toml"
    place.write_bytes(text.encode("utf-8"))
    try:
        scene = load_scene(place)
    except SceneError as error:
        sentences = error.complaints
    else:
        assert scene.volume > 0
        return
    assert sentences
    for sentence in sentences:
        assert sentence.startswith(str(place))
        assert "\n" not in sentence
        assert len(sentence) > len(str(place)) + 20


@given(st.binary(max_size=200))
@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_any_bytes_are_refused_in_sentences(tmp_path, data):
    place = tmp_path / "room.toml"
    place.write_bytes(data)
    with pytest.raises(SceneError):
        load_scene(place)


@pytest.mark.parametrize("text", TEXTS)
def test_every_key_has_the_line_it_stands_on(text):
    lines = key_lines(text)
    rows = text.splitlines()
    assert len(lines) > 20
    for path, number in lines.items():
        assert path[-1] in rows[number - 1]
