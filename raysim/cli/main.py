"""The program `raysim`: its verbs, its error messages and its exit codes."""

from __future__ import annotations

import os
import sys
import traceback
import warnings
from collections.abc import Sequence
from difflib import get_close_matches
from typing import TextIO

import click

from raysim import __version__
from raysim.cli.check import check
from raysim.cli.compare import compare
from raysim.cli.init import init
from raysim.cli.materials import materials
from raysim.cli.place import place
from raysim.cli.plan import plan
from raysim.cli.report import report
from raysim.cli.run import run
from raysim.cli.study import study
from raysim.cli.support import support
from raysim.errors import RaysimError, RaysimWarning

EXIT_INTERRUPTED = 130
EXIT_BUG = 70  # EX_SOFTWARE of sysexits.h; none of the codes that mean something to a user


class _Verbs(click.Group):
    """A group of verbs that suggests the nearest one to a slip of the finger."""

    def resolve_command(
        self, context: click.Context, arguments: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        typed = arguments[0]
        if self.get_command(context, typed) is None and not typed.startswith("-"):
            near = get_close_matches(typed, self.list_commands(context), n=1)
            known = ", ".join(self.list_commands(context))
            remedy = f"did you mean '{near[0]}'?" if near else f"there are {known}"
            raise click.UsageError(f"unknown command '{typed}'; {remedy}", context)
        return super().resolve_command(context, arguments)


@click.group(cls=_Verbs, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="raysim")
def program() -> None:
    """Predict the sound of a small listening room.

    A scene file says what the room is; `run` computes what reaches the listener, each number
    with its standard error; `report` shows it.

    \b
    From a tape measure to a report:
      raysim init my_room --size 4.2 3.4 2.4
      raysim check my_room/scene.toml
      raysim run my_room/scene.toml -o my_room.h5
      raysim report my_room.h5

    \b
    Exit codes: 0 done; 1 done, but a target or check is not met; 2 wrong input;
    3 a limit of the computation; 130 interrupted. Anything else is a bug.
    """


for verb in (init, check, place, run, report, compare, plan, study, materials, support):
    program.add_command(verb)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program and turn every outcome into a sentence and an exit code.

    Parameters
    ----------
    arguments : sequence of str or None
        Command line without the program's name; None takes the shell's.

    Returns
    -------
    int
        0 done; 1 done but a check is not met; 2 wrong input; 3 a limit of the computation;
        130 interrupted; 70 a bug.
    """
    _survive_narrow_encodings()
    with warnings.catch_warnings():
        warnings.simplefilter("always", RaysimWarning)
        warnings.showwarning = _show_warning
        try:
            outcome = program.main(
                args=None if arguments is None else list(arguments),
                prog_name="raysim",
                standalone_mode=False,
            )
        except click.ClickException as error:
            _say_usage(error)
            return error.exit_code
        except RaysimError as error:
            for sentence in str(error).splitlines():
                _complain(sentence)
            return error.exit_code
        except (KeyboardInterrupt, click.Abort):
            _complain("interrupted; nothing was written")
            return EXIT_INTERRUPTED
        except BrokenPipeError:
            return _leave_broken_pipe()
        except Exception as error:
            _say_bug(error)
            return EXIT_BUG
    return outcome if isinstance(outcome, int) else 0


def _complain(sentence: str) -> None:
    click.echo(f"raysim: {sentence}", err=True)


def _say_usage(error: click.ClickException) -> None:
    message = error.format_message().rstrip(".")
    if message.startswith("Usage:"):  # a group without a verb: its help is the message
        click.echo(message, err=True)
        return
    context = getattr(error, "ctx", None)
    verb = context.command_path.removeprefix("raysim").strip() if context else ""
    ask = f"raysim {verb} --help".replace("  ", " ")
    place = f"{verb}: " if verb else ""
    _complain(f"{place}{message}; see '{ask}'")


def _say_bug(error: Exception) -> None:
    _complain(
        f"this is a bug in raysim {__version__}, not in your input "
        f"({type(error).__name__}: {error}); please report it with the scene file; "
        "RAYSIM_DEBUG=1 shows where it happened"
    )
    if os.environ.get("RAYSIM_DEBUG") == "1":
        traceback.print_exception(error)


def _show_warning(
    message: Warning | str,
    category: type[Warning],
    filename: str,
    lineno: int,
    file: TextIO | None = None,
    line: str | None = None,
) -> None:
    """Print doubts as sentences; other libraries' warnings are for developers only."""
    if issubclass(category, RaysimWarning):
        click.echo(f"raysim: doubt: {message}", err=True)
    elif os.environ.get("RAYSIM_DEBUG") == "1":
        text = warnings.formatwarning(message, category, filename, lineno, line)
        click.echo(text, file=file, err=True, nl=False)


def _survive_narrow_encodings() -> None:
    """Let a terminal that lacks a sign show a question mark instead of failing."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")


def _leave_broken_pipe() -> int:
    """Stop quietly when the reader of our output has left (`raysim check ... | head`)."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0
