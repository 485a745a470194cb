"""Places in a scene file, as 'room.size.0' or 'treatments."rear panel".layers'."""

from __future__ import annotations

import copy
import re
from difflib import get_close_matches
from typing import Any

from raysim.scene.complaints import NAMED
from raysim.scene.schema import SceneFile, keys_of, sections

Path = tuple[str, ...]
Tree = dict[str, Any]

_PART = re.compile(r""""([^"]*)"|'([^']*)'|([^."']+)""")
FIXED = ("title", "bands")
FREE = ("surfaces", "sources", "receivers")
"""Tables of a variant, and [surfaces], take names that the file needn't hold."""


def parts_of(dotted: str) -> Path:
    """'a."b c".0' as ('a', 'b c', '0')."""
    return tuple(next(filter(None, found), "").strip() for found in _PART.findall(dotted))


def fault_of(tree: Tree, path: Path) -> str | None:
    """Why a path leads nowhere in a scene file, or None.

    Parameters
    ----------
    tree : dict
        The scene file as TOML gives it.
    path : tuple of str
        Keys, and numbers of list entries from 0.
    """
    if not path:
        return "it is empty; give a place in the scene, such as 'room.size.0'"
    known = keys_of(SceneFile)
    if path[0] not in known:
        return _unknown(path[0], known, "table")
    if path[0] in FIXED:
        return f"'{path[0]}' can't differ between the runs of a study; give it in the scene"
    if len(path) < 2 or (path[0] in NAMED and path[0] != "surfaces" and len(path) < 3):
        return (
            f"it names a whole table; go on to a key, such as '{'.'.join(path)}.{_example(path)}'"
        )
    if path[0] == "surfaces":
        return None if len(path) == 2 else "a surface has a material's name and nothing below it"
    node: Any = tree.get(path[0], {})
    rest = path[1:]
    if path[0] in NAMED:
        if path[1] not in node:
            return _unknown(path[1], list(node), f"entry of [{path[0]}]")
        node, rest = node[path[1]], path[2:]
    keys = keys_of(sections()[path[0]])
    if rest[0] not in keys:
        return _unknown(rest[0], keys, f"key of [{path[0]}]")
    if len(rest) == 1 or (path[0] == "variants" and rest[0] in FREE and len(rest) == 2):
        return None
    return _fault_below(node.get(rest[0]), rest[1:], ".".join(path))


def _fault_below(node: Any, rest: Path, dotted: str) -> str | None:
    for part in rest:
        if isinstance(node, list) and part.isdigit() and int(part) < len(node):
            node = node[int(part)]
        elif isinstance(node, dict) and part in node:
            node = node[part]
        elif isinstance(node, list):
            return f"'{dotted}' has entries 0 to {len(node) - 1}; '{part}' is none of them"
        else:
            return f"the scene has no '{dotted}' to change a part of; give it there first"
    return None


def changed(tree: Tree, changes: list[tuple[Path, Any]]) -> Tree:
    """A copy of a scene file with other values at some paths, which `fault_of` has passed.

    An empty text among the treatments of a variant leaves that entry out.
    """
    made = copy.deepcopy(tree)
    for path, value in changes:
        node: Any = made
        for part in path[:-1]:
            node = node[int(part)] if isinstance(node, list) else node.setdefault(part, {})
        if isinstance(node, list):
            node[int(path[-1])] = value
        else:
            node[path[-1]] = value
    for variant in made.get("variants", {}).values():
        named = variant.get("treatments")
        if isinstance(named, list):
            variant["treatments"] = [name for name in named if name != ""]
    return made


def _unknown(name: str, known: list[str], noun: str) -> str:
    near = get_close_matches(name, known, n=1, cutoff=0.6)
    listed = ", ".join(known[:12]) or "none"
    cure = f"did you mean '{near[0]}'?" if near else f"there are {listed}"
    return f"there is no {noun} '{name}'; {cure}"


def _example(path: Path) -> str:
    if path[0] in NAMED and len(path) < 2:
        return "NAME.KEY"
    section = sections().get(path[0])
    return keys_of(section)[0] if section else "NAME"
