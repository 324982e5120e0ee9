"""The command line: `plumbsight COMMAND ...`.

Each command is a module of its own, loaded when it is called, so that help and completion are quick.
This file holds what they have in common: exit statuses, and errors in words instead of tracebacks.
"""

import importlib
import os
import sys
import traceback
import warnings
from collections.abc import Sequence
from importlib import metadata

import click

from vision.errors import InputFileError, NotEnoughError, PhotoError, PlumbsightError

# The matrices of a set are small: more threads than one only wait for each other, on a busy machine for
# seconds. Set before numpy is loaded; whoever knows better sets them outside.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# FORMATS.md, "Exit status of the command line".
STATUS_OF_DECISION = {"conforming": 0, "nonconforming": 1, "undecided": 2, "none": 4}
NOT_ENOUGH, WRONG_WORDS, WRONG_FILE = 3, 64, 65
# Beyond it, so that neither can be taken for a decision: sysexits.h's EX_SOFTWARE, and 128 + SIGINT, SIGPIPE.
DEFECT, STOPPED, PIPE_CLOSED = 70, 130, 141

# Command -> module and function, in the order of the help.
COMMANDS = {
    "measure": "tools.cli_measure:measure_command",
    "demo": "tools.cli_measure:demo_command",
    "kit": "tools.cli_kit:kit_group",
    "plan": "tools.cli_plan:plan_command",
    "camera": "tools.cli_camera:camera_command",
    "clamps": "tools.cli_clamps:clamps_command",
    "teach": "tools.cli_teach:teach_commands",
    "proof": "tools.cli_proof:proof_commands",
    "shift": "tools.cli_shift:shift_command",
    "print": "tools.cli_print:print_command",
    "serve": "tools.cli_serve:serve_command",
    "verify": "tools.cli_records:verify_command",
    "export": "tools.cli_records:export_command",
    "import": "tools.cli_records:import_command",
    "backup": "tools.cli_records:backup_command",
    "restore": "tools.cli_records:restore_command",
    "retention": "tools.cli_records:retention_command",
    "recheck": "tools.cli_recheck:recheck_command",
    "review": "tools.cli_review:review_command",
    "schemas": "tools.cli_help:schemas_command",
    "completion": "tools.cli_help:completion_command",
}


class OutputError(click.ClickException):
    """Something could not be written where the command words said."""

    exit_code = WRONG_WORDS


class _Commands(click.Group):
    """A group whose commands are imported when they are needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, function = COMMANDS[cmd_name].split(":")
        return getattr(importlib.import_module(module), function)


def _version() -> str:
    try:
        return metadata.version("plumbsight")
    except metadata.PackageNotFoundError:
        return "of a checkout that is not installed"


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(_version(), message="plumbsight %(version)s")
def commands() -> None:
    """Measure by phone photos where a calibration target stands relative to a vehicle, and how sure that is.

    A second check: it replaces neither the vehicle maker's procedure nor licensed practice nor local rules.

    Exit status of measure: 0 conforming, 1 nonconforming, 2 undecided, 3 the photos do not suffice,
    4 measured and nothing required, 64 wrong command words, 65 a kit, placement or set file is wrong.
    """


def main(words: Sequence[str] | None = None) -> None:
    """Run the command that the words name, and leave with its exit status."""
    sys.exit(run(words))


def run(words: Sequence[str] | None = None) -> int:
    """Run the command that the words name; its exit status. Never a traceback for bad input."""
    # Libraries warn programmers (a photo's odd EXIF, say); what matters to a person is said by ourselves.
    warnings.simplefilter("ignore")
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a console that lacks a letter shows "?"
    try:
        status = commands.main(words, prog_name="plumbsight", standalone_mode=False)
        sys.stdout.flush()
        return status if isinstance(status, int) else 0
    except click.ClickException as wrong:
        wrong.show()
        return WRONG_WORDS
    except (click.Abort, KeyboardInterrupt):
        return _say("\nStopped: there is no result.", STOPPED)
    except InputFileError as wrong:
        return _say(str(wrong), WRONG_FILE)
    except (NotEnoughError, PhotoError) as wrong:
        return _say(f"The photos do not suffice to measure. {wrong}", NOT_ENOUGH)
    except PlumbsightError as wrong:
        return _say(str(wrong), WRONG_WORDS)
    except BrokenPipeError:
        # Whoever read our output has gone. What is left in the buffer must not raise again at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return PIPE_CLOSED
    except OSError as wrong:
        what = wrong.filename or "The output"
        return _say(
            f"{what} was not written ({wrong.strerror}). Make room or choose another place.", WRONG_WORDS
        )
    except Exception:
        traceback.print_exc()
        return _say(
            "This is a defect of plumbsight, not of your photos, and no result. Report the lines above.",
            DEFECT,
        )


def _say(words: str, status: int) -> int:
    click.echo(words, err=True)
    return status


if __name__ == "__main__":
    main()
