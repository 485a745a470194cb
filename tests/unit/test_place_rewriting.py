"""Scene files with things moved: comments stay, values are read back as written."""

import tomllib

from raysim.place.rewriting import rewritten, without

TEXT = """\
# a room
title = "Room"   # its name

[sources.left]          # the left one
position = [1.0, 0.5, 1.2]   # measured

[sources."right one"]
position = [
  2.0, 0.5, 1.2,
]

[receivers.seat]
position = [1.5, 1.5, 1.2]
"""


def test_changes_a_value_and_keeps_the_comments():
    made = rewritten(TEXT, {("sources", "left", "position"): [1.25, 0.6, 1.2]})
    assert "position = [1.25, 0.6, 1.2]   # measured" in made
    assert made.replace("1.25, 0.6", "1.0, 0.5") == TEXT


def test_adds_a_key_that_was_not_there():
    made = rewritten(TEXT, {("receivers", "seat", "facing"): "rear"})
    assert tomllib.loads(made)["receivers"]["seat"]["facing"] == "rear"
    assert "# the left one" in made


def test_values_over_several_lines_are_written_anew():
    made = rewritten(TEXT, {("sources", "right one", "position"): [2.5, 0.4, 1.2]})
    wanted = tomllib.loads(TEXT)
    wanted["sources"]["right one"]["position"] = [2.5, 0.4, 1.2]
    assert tomllib.loads(made) == wanted


def test_takes_a_table_out():
    assert "left" not in tomllib.loads(without(TEXT, ("sources", "left")))["sources"]
