"""Where keys stand in a TOML text, and its syntax errors in plain words."""

from __future__ import annotations

import re
import tomllib
from typing import Any

Path = tuple[str, ...]

_KEY = re.compile(
    r"""\s*((?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*'))*)\s*="""
)
_HEADER = re.compile(r"\s*\[\[?\s*(.+?)\s*\]\]?\s*(?:#.*)?$")
_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*'""")
_STRING = re.compile(r'''"""|\'\'\'|"(?:\\.|[^"\\\n])*"|'[^'\n]*'|\#.*''')
_AT_LINE = re.compile(r"\s*\(at line (\d+), column \d+\)|\s*\(at end of document\)")


def key_lines(text: str) -> dict[Path, int]:
    """Line number (from 1) of every table header and key, by the path of keys."""
    lines: dict[Path, int] = {}
    table: Path = ()
    depth, quote = 0, ""
    for number, line in enumerate(text.splitlines(), start=1):
        rest = line
        if quote:
            _, closed, rest = line.partition(quote)
            if not closed:
                continue
            quote = ""
        elif depth == 0:
            header, key = _HEADER.match(line), _KEY.match(line)
            if header and not key:
                table = _parts(header[1])
                for end in range(1, len(table) + 1):
                    lines.setdefault(table[:end], number)
                continue
            if key:
                path = (*table, *_parts(key[1]))
                for end in range(len(table) + 1, len(path) + 1):
                    lines.setdefault(path[:end], number)
                rest = line[key.end() :]
        quote, bare = _without_strings(rest)
        depth = max(0, depth + sum(map(bare.count, "[{")) - sum(map(bare.count, "]}")))
    return lines


def line_of(path: Path, lines: dict[Path, int]) -> int | None:
    """Line of a key, or of the nearest table it is in."""
    for end in range(len(path), 0, -1):
        if path[:end] in lines:
            return lines[path[:end]]
    return None


def parse(text: str) -> dict[str, Any]:
    """TOML text as a dictionary.

    Raises
    ------
    SyntaxFault
        With the line and a sentence.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _fault(text, str(error)) from None
    except RecursionError:
        raise SyntaxFault(None, "brackets are nested too deeply; close them earlier") from None


class SyntaxFault(Exception):
    """Text that is no TOML: line (None where it has none) and a sentence."""

    def __init__(self, line: int | None, sentence: str) -> None:
        super().__init__(sentence)
        self.line = line
        self.sentence = sentence


def _parts(dotted: str) -> Path:
    return tuple(part.strip("\"'") for part in _PART.findall(dotted))


def _without_strings(rest: str) -> tuple[str, str]:
    """Quote of a multi-line string left open at the end of a line, and the line without strings."""
    bare = ""
    while True:
        found = _STRING.search(rest)
        if not found:
            return "", bare + rest
        bare += rest[: found.start()]
        if found[0] not in ('"""', "'''"):
            rest = rest[found.end() :]
            continue
        _, closed, rest = rest[found.end() :].partition(found[0])
        if not closed:
            return found[0], bare


def _fault(text: str, message: str) -> SyntaxFault:
    place = _AT_LINE.search(message)
    rows = text.rstrip().splitlines()
    number = int(place[1]) if place and place[1] else max(1, len(rows))
    row = rows[number - 1] if number <= len(rows) else ""
    value = row.partition("=")[2].split("#")[0].strip()
    twice = re.search(r"Cannot (?:overwrite a value|declare (\(.*?\)) twice)", message)
    if twice:
        header, key = _HEADER.match(row), _KEY.match(row)
        name = header[1] if header and not key else (key[1] if key else "a key")
        return SyntaxFault(number, f"'{name}' is given twice; give each name once, rename one")
    comma = re.fullmatch(r"(-?[0-9]+),([0-9]+)", value)
    if comma:
        sentence = f"'{value}' has a decimal comma; write a point, {comma[1]}.{comma[2]}"
    elif re.fullmatch(r"""-?[0-9.]+\s*(m|cm|mm|ft|in|'|")[0-9 a-z"']*""", value):
        sentence = f'a length with a unit is written in quotes: "{value.strip(chr(34))}"'
    elif re.fullmatch(r"[A-Za-z][A-Za-z0-9 _.-]*", value):
        sentence = f'text is written in quotes: "{value}"'
    elif re.search(r"(?<![0-9a-zA-Z_])\.[0-9]", value):
        sentence = "a number begins with a digit; write 0.2 for .2"
    elif not value and "=" in row:
        sentence = "nothing stands after '='; give a value or take the line out"
    else:
        plain = _AT_LINE.sub("", message)
        sentence = (
            f"this is not TOML: {plain[:1].lower()}{plain[1:]}; check quotes and brackets here"
        )
    return SyntaxFault(number, sentence)
