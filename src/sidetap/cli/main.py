"""The command line: finds the verb, runs it, and turns what goes wrong into one line and an exit status.

Only the verb asked for is imported, so that a listening command never loads a solver, and works where the
simulated yard is not there at all.
"""

import importlib
import io
import os
import sys
from collections.abc import Sequence

import typer

from sidetap.errors import BadInput, Refused, SidetapError, printable

# in the order of the job
VERBS = {
    "record": "listen to a line and keep what travels on it",
    "line": "find a line's settings from the edges that a probe saw",
    "transactions": "list what was asked and answered in a recording",
    "survey": "find out what is on a line, and how sure that is",
    "match": "find the registers behind readings that people took",
    "new": "write a first site file from a survey and a match",
    "check": "check a site file, with place, problem and remedy",
    "site": "compare, explain and bring up to date site files",
    "matrix": "print the cause and effect as a table to be signed",
    "level": "show levels and volumes, from a recording or the running station",
    "doctor": "compare levels with dips, name what is wrong, release a point",
    "verify": "check the scheme's promises in every order of events",
    "replay": "run the scheme over an old recording: which loads would have differed",
    "run": "run the station",
    "panel": "serve the operator's page",
    "journal": "read or audit a station's journal",
    "demo": "the whole job on an invented yard",
}

UsageError: type[Exception] = typer.BadParameter.__bases__[0]  # the base of all that is wrong with arguments


def main(arguments: Sequence[str] | None = None) -> None:
    """Run `sidetap VERB ...` and leave with its exit status."""
    if sys.stdout is None:  # the caller closed it: what nobody wants to read goes nowhere
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115  (as long as the process)
    for stream in (sys.stdout, sys.stderr):  # a terminal of another alphabet gets a sign for what it can't show
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    sys.exit(run(list(sys.argv[1:] if arguments is None else arguments)))


def run(arguments: list[str]) -> int:
    """Run one command and return its exit status: 0 fine, 1 the answer is no, 2 it could not be done."""
    try:
        if not arguments or arguments[0] in ("--help", "-h"):
            sys.stdout.write(_help())
            return 0
        verb = arguments[0]
        if verb not in VERBS:
            raise BadInput(f"sidetap {verb}", "no such verb", f"Verbs are {', '.join(VERBS)}.")
        return _call(verb, arguments[1:])
    except BadInput as problem:
        return _fail(problem, 2)
    except Refused as problem:
        return _fail(problem, 1)
    except UsageError as problem:
        place = f"sidetap {arguments[0]}"
        message = getattr(problem, "format_message", problem.__str__)()
        text = " ".join(message.split()).rstrip(".")
        return _fail(BadInput(place, text, f"See {place} --help."), 2)
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # the reader has seen enough; the interpreter's own flush at exit must not complain either
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as problem:
        place = str(problem.filename) if problem.filename is not None else f"sidetap {arguments[0]}"
        return _fail(BadInput(place, (problem.strerror or "it failed").lower(), "Check the path and its rights."), 2)


def _call(verb: str, arguments: list[str]) -> int:
    found = getattr(importlib.import_module(f"sidetap.cli.{verb}"), verb)
    app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)
    if isinstance(found, typer.Typer):  # verbs below a verb
        app.add_typer(found)
    else:
        app.command(name=verb)(found)
    result = typer.main.get_command(app)(arguments, prog_name=f"sidetap {verb}", standalone_mode=False)
    return result if isinstance(result, int) else 0


def _help() -> str:
    width = max(map(len, VERBS))
    lines = "".join(f"  {verb:<{width}}  {text}\n" for verb, text in VERBS.items())
    return (
        "sidetap: listen to an existing line, turn it into levels, guard loading valves with a checked scheme\n\n"
        f"{lines}\nEach verb tells more: sidetap VERB --help. Not a safety system; see the README's cautions.\n"
    )


def _fail(problem: SidetapError, status: int) -> int:
    sys.stderr.write(f"error: {printable(str(problem))}\n")
    return status
