"""Words and numbers with units of one line of text, taken from left to right."""

from __future__ import annotations

import re
from collections.abc import Sequence
from difflib import get_close_matches
from typing import NamedTuple

from raysim.units import length_m, without_comma

_NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:e[+-]?[0-9]+)?"
_UNITS = r"mm|cm|m|um|µm|μm|in|ft|kg/m3|kg/m³|kg/m2|kg/m²|%"
_APART = re.compile(rf"(?<![\w.])({_NUMBER})\s+({_UNITS})(?![\w/])", re.IGNORECASE)


class Kind(NamedTuple):
    """A number with one of some units; '' stands for none."""

    units: tuple[str, ...]


NUMBER = Kind(("",))
PERCENT = Kind(("%",))
DENSITY = Kind(("kg/m3", "kg/m³"))
SURFACE_DENSITY = Kind(("kg/m2", "kg/m²"))
LENGTH = ("mm", "cm", "m", "um", "µm", "μm", "in", "ft")


class Words:
    """The words of a text; numbers and their units may be apart ('100 mm').

    Attributes
    ----------
    example : str
        How such a text may look, for complaints.

    Every method raises ValueError with one sentence.
    """

    def __init__(self, text: str) -> None:
        self.rest = _APART.sub(r"\1\2", text.strip().lower()).split()
        self.example = ""

    def take(self) -> str:
        """Next word."""
        return self.rest.pop(0)

    def word_if(self, word: str) -> bool:
        """Take a word if it comes next."""
        if self.rest[:1] == [word]:
            self.take()
            return True
        return False

    def need(self, word: str, *others: str) -> None:
        """Take a word that must come next."""
        if not self.word_if(word):
            choice = " or ".join(f"'{one}'" for one in (word, *others))
            raise ValueError(f"{choice} is missing{self._instead()}; {self._like()}")

    def one_of(self, names: Sequence[str]) -> str:
        """Take the name (of one or two words) that comes next, or nothing: ''."""
        for count in (2, 1):
            found = " ".join(self.rest[:count])
            if found in names:
                del self.rest[:count]
                return found
        return ""

    def choose(self, names: Sequence[str], what: str) -> str:
        """Take a name that must come next."""
        typed = self.rest[0] if self.rest else ""
        found = self.one_of(names)
        if not found:
            near = get_close_matches(typed, names, n=1, cutoff=0.5)
            cure = f"did you mean '{near[0]}'?" if near else f"give one of {', '.join(names)}"
            raise ValueError(f"unknown {what} '{typed}'; {cure}")
        return found

    def quantity_if(self, kind: Kind) -> float | None:
        """Take a number with such a unit if one comes next."""
        value, unit = self._number()
        if value is None or unit not in kind.units:
            return None
        self.take()
        return value

    def quantity(self, kind: Kind, what: str) -> float:
        """Take a number with such a unit, which must come next."""
        value = self.quantity_if(kind)
        if value is None:
            raise ValueError(f"the {what} is missing{self._instead()}; {self._like()}")
        return value

    def length(self, what: str, largest_m: float) -> float:
        """Take a length in metres, above 0."""
        value, unit = self._number()
        if value is None:
            self._refuse_comma()
            raise ValueError(f"the {what} is missing{self._instead()}; {self._like()}")
        if unit not in LENGTH:
            raise ValueError(f"the {what} {self.rest[0]} has no unit of length; write 50mm")
        text = self.take()
        metres = value * 1e-6 if unit in ("um", "µm", "μm") else length_m(text)
        if not metres > 0:
            raise ValueError(f"the {what} {text} is not more than 0; give it as a positive length")
        if metres > largest_m:
            raise ValueError(f"the {what} {text} is more than {1e3 * largest_m:g} mm; is it in mm?")
        return metres

    def end(self) -> None:
        """Complain of words left over."""
        if self.rest:
            self._refuse_comma()
            extra = " ".join(self.rest)
            raise ValueError(f"'{extra}' is more than belongs here; {self._like()}")

    def _number(self) -> tuple[float | None, str]:
        found = re.fullmatch(rf"({_NUMBER})({_UNITS})?", self.rest[0]) if self.rest else None
        return (float(found[1]), found[2] or "") if found else (None, "")

    def _like(self) -> str:
        return f"write it like '{self.example}'"

    def _instead(self) -> str:
        self._refuse_comma()
        return f" where '{self.rest[0]}' stands" if self.rest else ""

    def _refuse_comma(self) -> None:
        for word in self.rest:
            if re.search(r"[0-9],[0-9]", word):
                raise ValueError(f"'{word}' has a comma; {without_comma(word)}")
