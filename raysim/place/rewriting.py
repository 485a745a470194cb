"""The scene file with things at other places: comments and all else stay as they are."""

from __future__ import annotations

import copy
import re
from collections.abc import Mapping
from typing import Any

import tomli_w

from raysim.scene.lines import key_lines, parse

Path = tuple[str, ...]

_VALUE = re.compile(r"^(\s*[^=]+=\s*)(.*?)(\s*#.*)?$")


def rewritten(text: str, changes: Mapping[Path, Any]) -> str:
    """Scene text with other values at some paths.

    Lines are changed where they stand; where a file is written in a way that this can't follow
    (values over several lines, inline tables) all of it is written anew, without comments.

    Parameters
    ----------
    changes : mapping
        Values by path, such as ("sources", "left", "position"); None takes the key out.
    """
    wanted = _changed(parse(text), changes)
    lines, numbers = text.splitlines(), key_lines(text)
    added: dict[int, list[str]] = {}
    for path, value in changes.items():
        at = numbers.get(path)
        if at is None:
            header = numbers.get(path[:-1])
            if value is not None and header is not None:
                added.setdefault(header, []).append(f"{path[-1]} = {_toml(value)}")
        elif value is None:
            lines[at - 1] = f"# {lines[at - 1]}"
        else:
            found = _VALUE.match(lines[at - 1])
            if found is not None:
                lines[at - 1] = f"{found[1]}{_toml(value)}{found[3] or ''}"
    for header in sorted(added, reverse=True):
        lines[header:header] = added[header]
    made = "\n".join(lines) + "\n"
    try:
        if parse(made) == wanted:
            return made
    except Exception:  # a line that isn't what it looks like: write all anew
        pass
    return tomli_w.dumps(wanted)


def without(text: str, path: Path) -> str:
    """Scene text without a table."""
    tree = parse(text)
    node: Any = tree
    for part in path[:-1]:
        node = node[part]
    del node[path[-1]]
    return tomli_w.dumps(tree)


def _changed(tree: dict[str, Any], changes: Mapping[Path, Any]) -> dict[str, Any]:
    made = copy.deepcopy(tree)
    for path, value in changes.items():
        node: Any = made
        for part in path[:-1]:
            node = node.setdefault(part, {})
        if value is None:
            node.pop(path[-1], None)
        else:
            node[path[-1]] = value
    return made


def _toml(value: Any) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    return (
        "[" + ", ".join(_toml(v) if isinstance(v, list) else f"{float(v):g}" for v in value) + "]"
    )
