"""The bass as labelled arrays, for the file and for xarray."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from raysim.results.data import Bass, BassField, Result
from raysim.results.layout import Group, Variable, index_axis, position_axes, word_axis, words


def bass_group(result: Result, bass: Bass) -> Group:
    """Responses by frequency, and modes one row each."""
    axes = position_axes(result)
    field = ("variant", "source", "receiver")

    def column(data: Any, unit: str, long_name: str) -> Variable:
        return Variable(("mode",), data, unit, long_name)

    return {
        **{name: axes[name] for name in field},
        "frequency": Variable(("frequency",), bass.frequency_hz, "Hz", "frequency"),
        "point": index_axis("point", bass.zone.shape[3]),
        "mode": index_axis("mode", len(bass.mode_frequency_hz)),
        "note": word_axis("note", bass.notes, "what was chosen, assumed or left out"),
        "response": Variable(
            (*field, "frequency"),
            bass.response,
            "1",
            "pressure re the free field at 10 m, exp(j omega t)",
        ),
        "zone": Variable(
            (*field, "point", "frequency"),
            bass.zone,
            "1",
            "the same at the receiver and at the corners of its zone",
        ),
        "mode_variant": column(bass.mode_variant, "1", "index into variant"),
        "mode_frequency": column(bass.mode_frequency_hz, "Hz", "frequency of the mode"),
        "mode_decay_time": column(bass.mode_decay_time_s, "s", "time in which it falls by 60 dB"),
        "mode_kind": column(words(bass.mode_kind), "1", "which mode of the bounding box it is"),
        "mode_at_receivers": Variable(
            ("mode", "receiver"), bass.mode_at_receivers, "1", "pressure, mean square 1 in the room"
        ),
        "mode_at_sources": Variable(
            ("mode", "source"), bass.mode_at_sources, "1", "pressure, mean square 1 in the room"
        ),
        "unknowns": Variable(("variant",), bass.unknowns, "1", "unknowns of the elements"),
        "box_share": Variable(
            ("variant",), bass.box_share, "1", "volume over that of the bounding box"
        ),
        **_field_group(bass.field),
    }


def _field_group(field: BassField) -> Group:
    place = ("variant", "source")
    pressure = "pressure re the free field at 10 m"
    return {
        "axis": word_axis("axis", "xyz", "axis of the room"),
        "way": word_axis("way", ("right", "front"), "way of a step in the plan"),
        "plan": index_axis("plan", len(field.plan_m)),
        "plan_position": Variable(
            ("plan", "axis"), field.plan_m, "m", "place at the first receiver's height"
        ),
        "plan_cell": Variable(
            ("plan", "way"), field.plan_cell, "1", "steps from the first receiver"
        ),
        "plan_response": Variable((*place, "plan", "frequency"), field.plan, "1", pressure),
        "corner": word_axis("corner", field.corner_name, "corner of the room"),
        "corner_position": Variable(
            ("corner", "axis"), field.corner_m, "m", "place a little off the corner"
        ),
        "corner_response": Variable((*place, "corner", "frequency"), field.corner, "1", pressure),
        "mean_square": Variable(
            (*place, "frequency"), field.mean_square, "1", "mean squared pressure over the room"
        ),
        "middle_square": Variable(
            (*place, "frequency"), field.middle_square, "1", "the same over its inner half"
        ),
    }


def bass_from(read: Callable[[str], Any]) -> Bass:
    """The bass from its group; `read` gives the dataset of a name."""
    return Bass(
        frequency_hz=read("frequency"),
        zone=np.asarray(read("zone"), np.complex128),
        mode_variant=read("mode_variant"),
        mode_frequency_hz=read("mode_frequency"),
        mode_decay_time_s=read("mode_decay_time"),
        mode_at_receivers=read("mode_at_receivers"),
        mode_at_sources=read("mode_at_sources"),
        mode_kind=tuple(read("mode_kind")),
        unknowns=read("unknowns"),
        box_share=read("box_share"),
        notes=tuple(read("note")),
        field=BassField(
            plan_m=read("plan_position"),
            plan_cell=read("plan_cell"),
            plan=np.asarray(read("plan_response"), np.complex64),
            corner_name=tuple(read("corner")),
            corner_m=read("corner_position"),
            corner=np.asarray(read("corner_response"), np.complex64),
            mean_square=read("mean_square"),
            middle_square=read("middle_square"),
        ),
    )
