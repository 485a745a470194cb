"""The picture of effects: what is drawn, and what is left out aloud."""

from __future__ import annotations

from raysim.report import effects, style
from raysim.report.effects import MOST_ROWS, Whisker, draw_effects


def whiskers(count):
    return [
        Whisker(f"level {k}", band, k / 100, k / 100 - 0.05, k / 100 + 0.05, k > 5)
        for k in range(count)
        for band in (500.0, 1000.0)
    ]


def drawn(monkeypatch, count):
    figures = []
    monkeypatch.setattr(style, "png", lambda figure: figures.append(figure) or b"png")
    assert draw_effects("T20", "s", whiskers(count)) == b"png"
    return figures[0].axes[0]


def test_every_comparison_and_its_certainty(monkeypatch):
    axes = drawn(monkeypatch, 12)
    assert [label.get_text() for label in axes.get_yticklabels()] == [
        f"level {k}" for k in range(12)
    ]
    dots = [line for line in axes.lines if line.get_marker() != "None"]
    assert len(dots) == 24
    for dot in dots:
        level = round(100 * float(dot.get_xdata()[0]))
        assert (dot.get_markerfacecolor() != "white") == (level > 5)
    assert axes.get_xlabel() == "change of T20, s"
    bottom, top = axes.get_ylim()
    assert bottom > top  # the first comparison stands at the top


def test_the_largest_of_many(monkeypatch):
    axes = drawn(monkeypatch, MOST_ROWS + 10)
    labels = [label.get_text() for label in axes.get_yticklabels()]
    assert labels == [f"level {k}" for k in range(10, MOST_ROWS + 10)]
    assert f"the {MOST_ROWS} largest of {MOST_ROWS + 10}" in axes.get_title("left")


def test_it_is_a_picture():
    assert effects.draw_effects("D50", "1", whiskers(2)).startswith(b"\x89PNG")
