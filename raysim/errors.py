"""The five things that can go wrong, as a caller would tell them apart."""

from __future__ import annotations


class RaysimError(Exception):
    """Base of all errors meant for the user: one sentence, with place and remedy."""

    exit_code = 2


class SceneError(RaysimError):
    """The room as described cannot be simulated.

    Parameters
    ----------
    complaints : str or list of str
        One sentence each; a reader collects all of a file and raises once.
    """

    def __init__(self, complaints: str | list[str]) -> None:
        self.complaints = [complaints] if isinstance(complaints, str) else list(complaints)
        super().__init__("\n".join(self.complaints))


class SettingsError(RaysimError):
    """The request contradicts itself."""


class ResultError(RaysimError):
    """A result file is of another kind, version or scene, or cannot be read or written."""


class SolverError(RaysimError):
    """A computation lost more than it may (rays, convergence)."""

    exit_code = 3


class Interrupted(RaysimError):
    """Stopped by the user; `partial` holds what was finished, or None."""

    exit_code = 130
    partial: object = None


class RaysimWarning(UserWarning):
    """A doubt about the input that does not stop the computation."""
