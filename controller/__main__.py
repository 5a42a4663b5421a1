"""`seepward`: finds the command, imports nothing but that, and turns whatever goes wrong into one line.

Exit code: 0 done, 1 could not, 2 wrong use or wrong config. Errors go to stderr, without a traceback; with
SEEPWARD_TRACEBACK=1 in the environment the last-resort handler lets an error through whole.
"""

import argparse
import difflib
import importlib
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

from controller.commands import COMMANDS, CommandError

DONE, COULD_NOT, WRONG_USE = 0, 1, 2
TRACEBACK = "SEEPWARD_TRACEBACK"


class _Parser(argparse.ArgumentParser):
    """An argument parser that says what is wrong in one line."""

    def error(self, message: str) -> NoReturn:
        self.exit(WRONG_USE, f"{self.prog}: {message.removeprefix('argument ')}; see {self.prog} --help\n")


def main(argv: Sequence[str] | None = None) -> int:
    """Obey a command line; the exit code."""
    try:
        code = _obey(sys.argv[1:] if argv is None else argv)
        sys.stdout.flush()
        return code
    except SystemExit as leaving:  # argparse, after --help or a complaint
        return leaving.code if isinstance(leaving.code, int) else DONE
    except CommandError as error:
        for line in error.lines:
            print(line, file=sys.stderr)
        return error.code
    except KeyboardInterrupt:
        print("Interrupted.", file=sys.stderr)
        return COULD_NOT
    except BrokenPipeError:  # the reader of our output has gone; a second error while closing must not follow
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return COULD_NOT
    except Exception as error:
        if os.environ.get(TRACEBACK) == "1":
            raise
        print(_last_word(error), file=sys.stderr)
        return COULD_NOT


def _obey(argv: Sequence[str]) -> int:
    """In two steps, so that only the module of the command is imported, and shared options may stand on
    either side.
    """
    table = "\n".join(f"  {name:<10}{does}" for name, does in COMMANDS.items())
    first = _Parser(
        prog="seepward",
        description="Waters a food garden through a hot, dry summer, and says why.",
        epilog=f"commands:\n{table}\n\n"
        "Depths in mm (1 mm on 1 m2 is 1 L), amounts in litres, times of the garden's zone.\n"
        "seepward COMMAND --help tells more.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    _shared(first)
    first.add_argument("command", nargs="?", metavar="COMMAND", help="what to do")
    first.add_argument("rest", nargs=argparse.REMAINDER, help=argparse.SUPPRESS)
    arguments = first.parse_args(argv)
    if arguments.command not in COMMANDS:
        first.error("name a command" if arguments.command is None else _no_command(arguments.command))
    command = importlib.import_module(f"controller.commands.{arguments.command}")
    # A command may have its own idea of a shared option (simulate writes --json to a file): its own holds.
    second = _Parser(prog=f"seepward {arguments.command}", allow_abbrev=False, conflict_handler="resolve")
    _shared(second)
    command.add_arguments(second)
    code = command.run(second.parse_args(arguments.rest, arguments))
    return DONE if code is None else int(code)


def _shared(parser: argparse.ArgumentParser) -> None:
    """The options of every command. Suppressed defaults: what stands before the command survives the second
    parse.
    """
    shared = parser.add_argument_group("everywhere")
    shared.add_argument(
        "--config", metavar="FILE", default=argparse.SUPPRESS,
        help="the garden's config (else $SEEPWARD_CONFIG, else /etc/seepward/garden.toml)",
    )  # fmt: skip
    shared.add_argument(
        "--journal", metavar="FILE", default=argparse.SUPPRESS, help="another journal than the config's"
    )
    shared.add_argument("--json", action="store_true", default=argparse.SUPPRESS, help="print for programs")


def _no_command(word: str) -> str:
    near = difflib.get_close_matches(word, COMMANDS, n=1)
    return f"there is no command {word[:40]!a}{f' (did you mean {near[0]}?)' if near else ''}"


def _last_word(error: Exception) -> str:
    """One line for an error that nobody has foreseen."""
    said = " ".join(str(error).split())[:300]
    return (
        f"seepward: this should not have happened: {type(error).__name__}{f': {said}' if said else ''}; "
        f"with {TRACEBACK}=1 it tells where"
    )


if __name__ == "__main__":
    sys.exit(main())
